"""Getting a password: typed at a terminal without echo, or read from a file that others cannot read; never an argument."""

import getpass
import stat
import sys
from pathlib import Path

from station.exit_codes import BadInput

STANDARD_INPUT = Path("-")


def password_of(name: str, file: Path | None, *, option: str = "--password-file") -> str:
    """Return what the person types, or the first line of a file.

    Parameters
    ----------
    file
        None asks at the terminal; `-` is the standard input, `/dev/fd/3` an open descriptor.
    option
        The option that names the file, for the sentence about what is allowed.

    Raises
    ------
    BadInput
        There is no terminal, or the file cannot be read or may be read by others.
    """
    if file is not None:
        return _first_line(file)
    return _typed(f"Password of {name}: ", option)


def new_password_of(name: str, file: Path | None, *, option: str) -> str:
    """Return a new password: typed twice, or the first line of a file.

    Raises
    ------
    BadInput
        There is no terminal, the two differ, or the file cannot be read or may be read by others.
    """
    if file is not None:
        return _first_line(file)
    first = _typed(f"New password of {name}: ", option)
    if _typed(f"New password of {name} again: ", option) != first:
        raise BadInput("the two passwords differ; nothing was changed")
    return first


def _typed(prompt: str, option: str) -> str:
    if not sys.stdin.isatty():
        raise BadInput(f"there is no terminal to ask a password at; allowed: {option} FILE")
    try:
        return getpass.getpass(prompt)
    except EOFError:
        raise BadInput("no password was given; nothing was done") from None


def _first_line(file: Path) -> str:
    try:
        if file == STANDARD_INPUT:
            line = sys.stdin.readline()
        else:
            _refuse_open_to_others(file)
            with file.open(encoding="utf-8") as lines:
                line = lines.readline()
    except OSError as error:
        raise BadInput(f"the password file {file} cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise BadInput(f"the password file {file} holds no text in UTF-8") from None
    password = line.rstrip("\r\n")
    if not password:
        raise BadInput(f"the password file {file} has an empty first line; allowed: the password in its first line")
    return password


def _refuse_open_to_others(file: Path) -> None:
    mode = file.stat().st_mode
    if stat.S_ISREG(mode) and mode & 0o077:
        raise BadInput(f"the password file {file} may be read by others (mode {mode & 0o777:04o}); allowed: mode 0600")
