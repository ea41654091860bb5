"""From a take to its measurements: what was recorded, who plays which input, where somebody sings."""
