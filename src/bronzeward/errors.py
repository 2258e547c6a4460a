"""What a user can be told: one error type for bad input, one warning type for doubtful results."""


class InputError(ValueError):
    """Input that cannot be used; the message says what was wrong, where, and what is allowed."""


class ResultWarning(UserWarning):
    """A result that stands, with a reservation that is also recorded in it."""
