"""What lies outside the record: files, clock, chance, networks. Every format is read with care."""
