"""A sheet, a drawing and a screen of one visit show the same figures, whatever the language."""

DECIMAL_SEPARATOR = "."
THOUSAND_SEPARATOR = "\u202f"
NUMBER_GROUPING = 0
