"""What a microphone picks up of the other inputs: measured, predicted, subtracted and masked."""
