"""What a user can be told: one error type for bad input."""


class InputError(ValueError):
    """Input that cannot be used; the message says what was wrong, where, and what is allowed."""
