"""What can go wrong, in a builder's words.

Every error says what happened, where, and what to do next.  The library
raises; only the command line (``spilemark.cli``) turns an error into its exit
code.  Findings that do not stop the work are notes (``records.Note``).
"""

from __future__ import annotations

from pathlib import Path


class SpilemarkError(Exception):
    """Root of all errors that this project raises on purpose.

    Parameters
    ----------
    what : str
        What happened, where.
    todo : str
        What the person can do next.
    """

    exit_code = 70

    def __init__(self, what: str, todo: str = "") -> None:
        self.what = what
        self.todo = todo
        super().__init__(f"{what} {todo}".strip())


class UsageError(SpilemarkError):
    """A command or job that asks for something impossible."""

    exit_code = 2


class UnreadableInput(SpilemarkError):
    """A file that cannot be read as what it claims to be."""

    exit_code = 3


class NoScale(SpilemarkError):
    """No scale card was found, or none that says how large things are."""

    exit_code = 4


class WouldOverwrite(SpilemarkError):
    """A result already stands where a new one would go."""

    exit_code = 6


class MissingLibrary(SpilemarkError):
    """A system library or optional package is not installed."""

    exit_code = 7


class PluginError(SpilemarkError):
    """A plug-in could not be loaded, was misnamed, or failed at its stage."""

    exit_code = 8


class CannotWrite(SpilemarkError):
    """The results cannot be stored."""

    exit_code = 9

    @classmethod
    def because(cls, path: Path, error: OSError) -> CannotWrite:
        """What the system said of a result file, and what to do."""
        return cls(
            f"{path} cannot be written: {error.strerror}.", "Free some space or choose --out."
        )


class NoOutline(SpilemarkError):
    """No pattern outline could be told from its surroundings."""

    exit_code = 10


class NoEdge(NoOutline):
    """Between the places that a person set no edge can be told; what was traced stays."""


# Exit codes that are not errors of their own kind.
EXIT_DONE = 0
EXIT_SOME_JOBS_FAILED = 1
EXIT_BELOW_LIMIT = 5
EXIT_OUR_BUG = 70
EXIT_INTERRUPTED = 130
