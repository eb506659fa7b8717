"""Pure rules: values in, values out. No file, clock, chance, database or network."""
