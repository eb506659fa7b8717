"""The command line: read what was typed, call one step, print the answer. No rules here."""
