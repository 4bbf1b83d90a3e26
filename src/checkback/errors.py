"""The one error that a user is meant to read."""


class UserError(Exception):
    """Something the user can mend: one sentence that says what, where and what to do.

    The command line prints it and leaves with exit code 2.
    """
