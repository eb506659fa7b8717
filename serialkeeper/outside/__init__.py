"""Files and other things outside the record."""
