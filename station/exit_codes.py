"""What the command line tells the shell, and the errors that lead there."""

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of every `polemark` command."""

    DONE = 0
    """Conforming, or done."""
    NOT_CONFORMING = 1
    """Something is nonconforming, undecided or not measured."""
    BAD_INPUT = 2
    """A file, a name or an answer is wrong or missing."""
    BENCH = 3
    """A fault of the bench, a trip, or a run that was stopped."""
    STORE = 4
    """The records cannot be read or written."""
    DEFECT = 70
    """A defect of this program, told apart from every verdict (EX_SOFTWARE of sysexits.h, from memory)."""


class BadInput(ValueError):  # noqa: N818 - says what it is
    """What the user gave cannot be used; the message is one clear sentence (or one line per problem)."""


class RunStopped(RuntimeError):  # noqa: N818 - says what happened
    """The run cannot go on: the message says why, in one sentence, for the record and the screen."""


class StopRequested(RunStopped):
    """A person or the system asked the run to end (Ctrl-C, SIGTERM)."""
