"""Errors for wrong input; a part that cannot be measured is a value, not an error."""


class IdentifyError(Exception):
    """Base of all errors that a caller may show as they stand: one sentence and the next step."""


class PhotoError(IdentifyError, ValueError):
    """The bytes are not a photo that can be read safely."""


class TableError(IdentifyError, ValueError):
    """A row of the tables, or of a user's own list, is not valid."""


class ModelError(IdentifyError, RuntimeError):
    """The model file is missing, damaged, or does not belong to these tables."""


class UsageError(IdentifyError, ValueError):
    """The command was called with words that do not fit together."""


class RecordsError(IdentifyError, RuntimeError):
    """The records can't be opened, read or written."""
