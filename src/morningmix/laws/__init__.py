"""Pure mathematics that deciding, measuring and processing share."""
