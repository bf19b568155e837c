"""The command line: one file a command; parse, one call, print, exit code.

Exit codes: 0 fine, 1 a stop finding, 2 usage, 3 input refused, 4 not measurable.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from typing import Annotated

import typer

from entrypoint.cli.after import after
from entrypoint.cli.check import check
from entrypoint.cli.convert import convert
from entrypoint.cli.draw import draw
from entrypoint.cli.explain import explain
from entrypoint.cli.inspect import inspect
from entrypoint.cli.log import log
from entrypoint.cli.map import map_
from entrypoint.cli.model import model
from entrypoint.cli.phantom import phantom
from entrypoint.cli.plan import plan
from entrypoint.cli.rehearse import rehearse
from entrypoint.cli.report import report
from entrypoint.cli.schema import schema
from entrypoint.cli.sheet import sheet
from entrypoint.cli.teach import teach
from entrypoint.cli.vary import vary
from entrypoint.errors import EntrypointError

_HELP = (
    "Frontal cranial entry-point geometry: from tape, landmarks, a scalp surface or a head CT to "
    "the entry, its clearances, the skull, a drill stop and a sensor depth, each with its error. "
    "For planning and teaching only; local protocol and licensed practice take precedence."
)
_EPILOG = "Exit codes: 0 fine, 1 a stop finding, 2 usage, 3 input refused, 4 not measurable."

app = typer.Typer(
    name="entrypoint",
    help=_HELP,
    epilog=_EPILOG,
    rich_markup_mode=None,  # plain help: a tenth of a second less, and the same when piped
    add_completion=False,
    pretty_exceptions_enable=False,
)
_COMMANDS: dict[Callable[..., None], str] = {
    plan: "Plan an entry from a CT, landmarks, a surface or a tape.",
    map_: "Map where every margin holds round the site on a CT.",
    vary: "Tabulate every figure on a CT over a grid of rules.",
    check: "Check paths of your own on a CT, as the plan's own is judged.",
    draw: "Draw a plan: its path, the bone, the site map, the tapes.",
    teach: "Make teaching figures, or the same as forms to fill in.",
    report: "Make a page of a plan for a browser, with a head to turn.",
    sheet: "Make a one-page sheet of a plan, to print and to hold.",
    log: "Log what was done beside its plan, for audit.",
    after: "Compare a scan after placement with its plan.",
    model: "Make a head to print or to show, from a CT.",
    convert: "Write a DICOM series as a NIfTI volume.",
    inspect: "Say what a volume file holds and what is missing.",
    explain: "Say what a finding means and where its limit is from.",
    schema: "Print the JSON Schema of the plan record.",
    phantom: "Make practice heads with their true answers.",
    rehearse: "Practise on heads on a page; score marks collected elsewhere.",
}
for _command, _short in _COMMANDS.items():
    app.command(_command.__name__, short_help=_short)(_command)


def _version(wanted: bool) -> None:
    if wanted:
        from entrypoint import __version__

        typer.echo(f"entrypoint {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        Those of the process where not given.

    Returns
    -------
    int
        The exit code; the console script exits with it.
    """
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        # Not by calling ``app``: that has exit codes and messages of its own for a reader that
        # has gone and for an interrupt.
        command = typer.main.get_command(app)
        with command.make_context("entrypoint", words or ["--help"]) as context:
            command.invoke(context)
        sys.stdout.flush()
        return 0
    except typer.Exit as done:
        return _flushed(done.exit_code)
    except EntrypointError as error:
        return _say(str(error), error.exit_code)
    except BrokenPipeError:
        return _reader_gone()
    except OSError as error:
        if error.errno == errno.ENOSPC:
            os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
            return _say("The output is full; expected room to write; free some space.", 3)
        raise
    except (KeyboardInterrupt, typer.Abort):
        return _say("Stopped before the end; nothing was written.", 130)
    except MemoryError:
        return _say(
            "The input needs more memory than there is; expected a head scan; crop or resample it.",
            3,
        )
    except Exception as error:
        show = getattr(error, "format_message", None)
        if show is not None:  # the parser's own usage errors
            where = getattr(error, "ctx", None)
            hint = f" (see {where.command_path} --help)" if where is not None else ""
            return _say(f"{show()}{hint}", int(getattr(error, "exit_code", 2)))
        if os.environ.get("ENTRYPOINT_DEBUG"):
            raise
        return _say(
            f"An error of the program itself ({type(error).__name__}), not of your input; no plan "
            "was made. Set ENTRYPOINT_DEBUG=1 and run again to see where.",
            70,
        )


def _flushed(code: int) -> int:
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        return _reader_gone()
    return code


def _reader_gone() -> int:
    # For example ``head``: nothing more to say, and no second error when Python flushes
    # standard output on its way out.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    return 0


def _say(sentence: str, code: int) -> int:
    try:
        print(f"entrypoint: {sentence}", file=sys.stderr)
    except OSError:
        return code
    return code


if __name__ == "__main__":
    sys.exit(main())
