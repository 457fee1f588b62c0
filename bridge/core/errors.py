"""The errors that the project raises on purpose."""


class OutOfRangeError(ValueError):
    """A quantity lies where the relation asked for was never established."""


class UserError(Exception):
    """Something the user gave is wrong; the message says what, where, and what is accepted."""
