"""Every command ends in an answer or in a sentence, never in a traceback."""

from __future__ import annotations

import functools
import shlex
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import typer

from models.base.errors import BadInput, ModelRefused, OutOfReach, Problem, TideoverError
from models.packs.stops import Stopped
from service.cli.printing import print_problems, print_stops
from service.core.refusals import Conflict, Doubtful, NoSuchRecord
from service.core.stops import ToldStops

BAD_INPUT_STATUS = 2
FAILURE_STATUS = 1
STOP_STATUS = 3


def plain_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Turn a command's errors into lines of where, what and mend, and an exit status.

    Status 2 means that what was handed in (options, files, the model) is at fault, 3 that a fact about the pack
    ends the job, 1 any other failure. A stop is the answer: it goes to standard output, as JSON if that was asked for.
    """

    @functools.wraps(command)
    def run(*args: Any, **options: Any) -> None:
        try:
            command(*args, **options)
        except (typer.Exit, typer.Abort, BrokenPipeError):
            raise
        except BadInput as error:
            _leave(BAD_INPUT_STATUS, *error.problems)
        except ModelRefused as error:
            _leave(BAD_INPUT_STATUS, *(part for part in error.args if isinstance(part, Problem)))
        except Stopped as error:
            told = ToldStops.of(error)
            if options.get("as_json"):
                typer.echo(told.model_dump_json())
            else:
                print_stops(told)
            raise typer.Exit(STOP_STATUS) from None
        except OutOfReach as error:
            mend = "Rely on the workshop's own judgement for this pack, or train with packs like it."
            _leave(FAILURE_STATUS, Problem("the case", str(error), mend))
        except Doubtful as error:
            mend = f"If it is right, run the command again with --sure {shlex.quote(error.sure)}."
            _leave(BAD_INPUT_STATUS, *(Problem(p.where, p.what, f"{p.mend} {mend}") for p in error.problems))
        except (Conflict, NoSuchRecord) as error:
            _leave(
                BAD_INPUT_STATUS, Problem("the store", str(error), "Put that right first, then run the command again.")
            )
        except TideoverError as error:
            what = f"It cannot be judged: {str(error).rstrip('.')}."
            _leave(FAILURE_STATUS, Problem("the record", what, "Give more packs, with more of their outcomes known."))
        except OSError as error:
            where = str(error.filename or "the system")
            what = f"{error.strerror or type(error).__name__}."
            _leave(FAILURE_STATUS, Problem(where, what, "Check that the path exists, is yours and has room."))
        except Exception as error:
            from service.store.trouble import told_trouble

            if (trouble := told_trouble(error)) is not None:
                _leave(FAILURE_STATUS, trouble)
            frame = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(frame.filename).name} line {frame.lineno}"
            what = f"Something went wrong inside Tideover ({type(error).__name__})."
            _leave(FAILURE_STATUS, Problem(where, what, "Report these three lines with the command that was run."))

    return run


def _leave(status: int, *problems: Problem) -> None:
    print_problems(problems)
    raise typer.Exit(status)
