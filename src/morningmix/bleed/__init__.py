"""Bleed of the other inputs into a microphone: measured, predicted, subtracted and masked."""
