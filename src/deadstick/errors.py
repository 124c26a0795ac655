"""The errors of this program: a wrong call or an unusable input. Damage in the data is data, never an error.

Every error carries one line for a person: what is wrong, with which file or argument, and what to do next.
"""


class DeadstickError(Exception):
    """Root of every error that this program raises on purpose."""


class InputError(DeadstickError, ValueError):
    """An input file cannot be used as it is. The message names the file and what is wrong with it."""


class HintError(DeadstickError, ValueError):
    """A hint given by the user is impossible or is contradicted by the data. The message carries the figures."""


class RecipeError(DeadstickError, ValueError):
    """A recipe is inconsistent, or a recipe file cannot be read."""


class CaseError(DeadstickError, OSError):
    """A case folder cannot be used: it belongs to another dump, or cannot be written."""
