"""The program's entry: commands in, exit status out.

Exit status: 0 ran and found nothing wrong, 1 ran and found something wrong,
2 bad usage or bad input, 130 interrupted. This is the one place where any
exception ends as a sentence.
"""

from __future__ import annotations

import copy
import difflib
import os
import sys
from collections.abc import Sequence
from typing import Annotated, cast

import typer

from busledger.decoder.errors import BusledgerError, UsageError
from busledger.decoder.kernel_forgiving import when_compiling
from busledger.tui.commands.board import board_commands
from busledger.tui.commands.browse import browse
from busledger.tui.commands.buffers import buffers
from busledger.tui.commands.check import check
from busledger.tui.commands.cycles import cycles
from busledger.tui.commands.demo import demo
from busledger.tui.commands.errors import errors
from busledger.tui.commands.exercise import exercise
from busledger.tui.commands.join import join
from busledger.tui.commands.match import match
from busledger.tui.commands.nearby import file_hint
from busledger.tui.commands.parts import parts
from busledger.tui.commands.plain_help import without_types
from busledger.tui.commands.plan import plan
from busledger.tui.commands.probes import probes
from busledger.tui.commands.profiles import profiles
from busledger.tui.commands.retest import retest
from busledger.tui.commands.screen import complain, show
from busledger.tui.commands.selects import selects
from busledger.tui.commands.timing import timing
from busledger.tui.commands.watch import watch

__all__ = ["app", "main"]

BAD_INPUT = 2
INTERRUPTED = 130
_DEBUG = "BUSLEDGER_DEBUG"
# typer brings its own or another's exception classes; this is the root of all it raises for a wrong command line.
_TyperComplaint = cast(type[Exception], typer.BadParameter.__mro__[2])

app = typer.Typer(
    name="busledger",
    help="Names the failing chip, lane, select or bus driver of a vintage machine from a logic-analyser capture.",
    epilog="Start with 'busledger demo'. Exit status: 0 nothing wrong, 1 something wrong found, 2 bad input.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

app.command("check", short_help="Find the failing part.")(check)
app.command("watch", short_help="Follow a stream, a growing file or a folder for hours.")(watch)
app.command("cycles", short_help="List the bus cycles, or write them to a file.")(cycles)
app.command("selects", short_help="Decoder outputs and selects against their tables.")(selects)
app.command("buffers", short_help="Direction, enable and lanes of the bus drivers.")(buffers)
app.command("timing", short_help="Measured times against published limits.")(timing)
app.command("probes", short_help="The health of every channel.")(probes)
app.command("plan", short_help="What to clip with few channels.")(plan)
app.command("join", short_help="One capture out of several passes.")(join)
app.command("match", short_help="Where two captures part.")(match)
app.command("retest", short_help="Is the repair proved?")(retest)
app.command("errors", short_help="The answer from a memory test's own list, no capture.")(errors)
app.command("exercise", short_help="A memory test for the machine's own processor.")(exercise)
app.command("browse", short_help="Step through the evidence in the terminal.")(browse)
app.command("profiles", short_help="The buses that are known.")(profiles)
app.command("parts", short_help="The chips that are known.")(parts)
app.add_typer(board_commands, name="board", short_help="Make, draw and describe board files.")
app.command("demo", short_help="The main job on a bundled capture.")(demo)


@app.callback(invoke_without_command=True)
def _root(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Print the version.", is_eager=True)] = False,
) -> int:
    if version:
        from importlib.metadata import version as installed

        show(f"busledger {installed('busledger')}\n")
        raise typer.Exit
    if context.invoked_subcommand is None:
        names = ", ".join(typer.main.get_command(app).list_commands(context))  # type: ignore[attr-defined]
        raise UsageError("no command was given", expected=f"one of {names}", hint="Start with 'busledger demo'.")
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command line; the exit status. Never raises."""
    try:
        return _run(sys.argv[1:] if arguments is None else list(arguments))
    except BusledgerError as error:
        complain(str(error) + file_hint(error))
    except _TyperComplaint as complaint:
        complain(_usage_message(complaint))
    except (KeyboardInterrupt, typer.Abort):
        return INTERRUPTED
    except BrokenPipeError:
        return 0
    except MemoryError:
        complain("there was not enough memory for this. Close other programs, or look at a part with --from and --to.")
    except OSError as error:  # what no floor below expected: no folder at all to write to, a disk that fails
        complain(f"the system would not go on: {error.strerror or error}")
    except Exception as error:
        if _interrupted(error):
            return INTERRUPTED
        if os.environ.get(_DEBUG):
            raise
        complain(
            f"something went wrong that should not ({type(error).__name__}: {error}). This is a fault of busledger, "
            f"not of your capture: please report it with the command line and what {_DEBUG}=1 shows."
        )
    return BAD_INPUT


def _interrupted(error: BaseException | None) -> bool:
    """Whether an interruption began it: inside compiled code it may come out as another error."""
    while error is not None:
        if isinstance(error, KeyboardInterrupt):
            return True
        error = error.__cause__ or error.__context__
    return False


def _run(arguments: list[str]) -> int:
    if "--quiet" not in arguments and sys.stderr is not None and sys.stderr.isatty():
        when_compiling(lambda: complain("compiling for this machine, this once: the first run takes up to a minute"))
    command = without_types(typer.main.get_command(_asked_for(arguments)))
    status = command.main(args=arguments, prog_name="busledger", standalone_mode=False)
    return status if isinstance(status, int) else 0


def _asked_for(arguments: Sequence[str]) -> typer.Typer:
    """The program with the one command that the line begins with, as nothing else is asked: typer looks at every
    argument of every command that it is given, for a fortieth of the shortest run."""
    named = [info for info in app.registered_commands if arguments and info.name == arguments[0]]
    if not named:
        return app
    one = copy.copy(app)
    one.registered_commands, one.registered_groups = named, []
    return one


def _usage_message(complaint: BaseException) -> str:
    """typer's sentence with the nearest option there is, and where to read on."""
    option = getattr(complaint, "option_name", None)
    if hasattr(complaint, "possibilities") and option:
        near = difflib.get_close_matches(option, complaint.possibilities or (), n=1)
        text = f"there is no option {option}." + (f" Did you mean {near[0]}?" if near else "")
    else:
        said = getattr(complaint, "format_message", lambda: str(complaint))()
        text = " ".join(line.strip() for line in said.splitlines() if line.strip())
        text = text[:1].lower() + text[1:]
        # typer ends some of its sentences with a question and a full stop.
        text = text.rstrip(".") + ("" if text.rstrip(".").endswith("?") else ".")
    context = getattr(complaint, "ctx", None)
    path = context.command_path if context is not None else "busledger"
    return f"{text} See '{path} --help'."
