"""Formulas from print that several rooms share."""
