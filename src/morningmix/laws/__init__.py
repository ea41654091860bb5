"""Published formulas that several rooms use."""
