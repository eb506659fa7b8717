"""Numbers that an authority or a customer gave: taken into a lot, all of a file or nothing."""

from serialkeeper.steps.importing.giving import import_numbers

__all__ = ["import_numbers"]
