"""One place where expected errors become a sentence and an exit code."""

import sys
import traceback
from collections.abc import Callable
from typing import Any

import click

from station.exit_codes import BadInput, ExitCode, RunStopped


def guarded(command: Callable[[], Any]) -> int:
    """Run a command and translate what it raises.

    Returns
    -------
    int
        The command's own exit code, or the one that belongs to its error. An unexpected error is a defect: it shows its
        traceback, for hiding it would help nobody, and ends with a code that no verdict has.
    """
    try:
        result = command()
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.ClickException as error:
        return _say(_usage(error), ExitCode.BAD_INPUT)
    except (click.Abort, KeyboardInterrupt):
        return _say("interrupted", ExitCode.BENCH)
    except BrokenPipeError:
        # Whoever read our output has gone (for example `head`); nothing is left to say it to.
        sys.stderr.close()
        return ExitCode.DONE
    except Exception as error:  # noqa: BLE001 - the last place that can tell a defect from a verdict
        code = _code_of(error)
        if code is None:
            traceback.print_exc()
            return ExitCode.DEFECT
        return _say(str(error), code)
    return int(result) if isinstance(result, int) else ExitCode.DONE


def _code_of(error: Exception) -> ExitCode | None:
    from safety.strict_yaml import YamlError

    if isinstance(error, (BadInput, YamlError)):
        return ExitCode.BAD_INPUT
    if isinstance(error, RunStopped):
        return ExitCode.BENCH
    from db.store_errors import NotAllowed, StoreError
    from drivers.errors import BenchFault

    if isinstance(error, BenchFault):
        return ExitCode.BENCH
    if isinstance(error, NotAllowed):
        return ExitCode.BAD_INPUT
    return ExitCode.STORE if isinstance(error, StoreError) else None


def _usage(error: click.ClickException) -> str:
    command = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "polemark"
    return f"{command}: {error.format_message()} (see `{command} --help`)"


def _say(sentence: str, code: ExitCode) -> int:
    sys.stdout.flush()
    click.echo(sentence, err=True)
    return code
