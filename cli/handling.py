"""How every command ends: its exit status, and its failure in words or as JSON."""

import functools
import os
import sys
from collections.abc import Callable
from typing import Any, NoReturn, ParamSpec

import typer

from cli.exit_codes import Exit
from cli.failure import Failure, failure_of
from daemon.errors import BenchError

_P = ParamSpec("_P")


def handled(command: Callable[_P, None]) -> Callable[_P, None]:
    """Turn what a command raises into its exit status, with the reason printed."""

    @functools.wraps(command)
    def run(*args: _P.args, **kwargs: _P.kwargs) -> None:
        as_json = bool(kwargs.get("as_json"))
        try:
            command(*args, **kwargs)
        except Failure as failure:
            end_with(failure, as_json=as_json)
        except BenchError as error:
            end_with(failure_of(error), as_json=as_json)
        except KeyboardInterrupt:
            raise typer.Exit(int(Exit.INTERRUPTED)) from None
        except BrokenPipeError:
            # Whoever reads has had enough; the interpreter must not try to flush at exit.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise typer.Exit(int(Exit.DONE)) from None

    return run


def end_with(failure: Failure, *, as_json: bool) -> NoReturn:
    """Print a failure and leave with its status."""
    from cli.out import Out

    out = Out(json=as_json)
    out.document(failure.to_json())
    if not as_json:
        out.note(f"romwright: {failure.message}", "bold red")
        for problem in _more(failure.details):
            out.note(f"  {problem}", "red")
        if failure.hint:
            out.note(failure.hint, "")
    raise typer.Exit(int(failure.status)) from None


def leave(status: Exit) -> None:
    """Leave with a status that is no failure to explain."""
    if status is not Exit.DONE:
        raise typer.Exit(int(status))


def _more(details: dict[str, Any]) -> list[str]:
    """Return the further problems that a message has no room for."""
    problems = details.get("problems")
    return [str(each) for each in problems if isinstance(each, str)] if isinstance(problems, list) else []
