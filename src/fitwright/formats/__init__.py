"""How numbers are written: with a decimal point in every language (ISO 80000-1 allows both; entry takes both)."""
