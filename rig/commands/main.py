"""The command `nightrig`: finds the subcommand, and turns every known error into one line."""

from __future__ import annotations

import importlib
import sys
from typing import Any, Final, NoReturn

from rig.commands.collecting import keep_for_good, uncollected

with uncollected():
    import click

    from rig import __version__
    from rig.commands.saying import folded, print_anything, visible
    from rig.commands.usage import did_you_mean, usage_line
    from rig.errors import RigError

COMMANDS: Final[dict[str, str]] = {
    "check": "Read a protocol and say whether the test can start.",
    "predict": "Say what mechanics expects of a specimen, or of a protocol's.",
    "devices": "Look at a rig's devices: who answers, live values, what to try; or emulate one.",
    "rehearse": "Carry a protocol out on the simulated rig: hours in seconds.",
    "run": "Carry a protocol out on a rig, in real time.",
    "resume": "Go on with a test that was cut off or stopped, or close its record.",
    "watch": "Show a run: what the rig does, what comes next, how far the specimen is.",
    "handover": "Say what happened since somebody last looked, and what it needs now.",
    "pause": "Let a live test stand still, power kept.",
    "continue": "Let a test that stands still go on.",
    "unload": "Unload and retract, then pressure off; the test can go on later.",
    "stop": "Unload and end a live test.",
    "alerts": "Show the open alerts of a run; acknowledge, silence, reset or test them.",
    "note": "Write a note, or a catch-can reading, into the record.",
    "import": "Make a run out of what another program measured.",
    "replay": "Judge a recording again, as recorded, by another protocol, or for many values.",
    "report": "Make the report of a run or of a series, as a page and as a PDF.",
    "export": "Write a recording as CSV files with a data dictionary.",
    "plan": "Say what a series still to be tested could show, and what it takes.",
    "compare": "Say what the lives and ultimate loads of a series really say.",
}
"""Commands and their short help, so that `--help` imports none of them."""

_KEYWORDS: Final = {"continue": "continue_run", "import": "import_file", "plan": "plan_series"}
"""Modules, and commands in them, of names that Python or another room keeps for itself."""


class Lazy(click.Group):
    """A group whose commands are imported only when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the commands in the order of a test's life."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command, None where there is none of that name."""
        if cmd_name not in COMMANDS:
            return None
        name = _KEYWORDS.get(cmd_name, cmd_name)
        with uncollected():
            command = getattr(importlib.import_module(f"rig.commands.{name}"), name)
        return command if isinstance(command, click.Command) else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Name the commands when one is unknown."""
        if args and not args[0].startswith("-") and args[0] not in COMMANDS:
            near = did_you_mean(args[0], COMMANDS) or f"; there are {', '.join(COMMANDS)}"
            raise click.UsageError(f"unknown command {args[0]!r}{near}", ctx)
        return super().resolve_command(ctx, args)


@click.group(cls=Lazy, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="nightrig")
def group() -> None:
    """Run bending-fatigue tests of prestressed beams: load, water, limits, verdict, record.

    Software is no safety system: guards, emergency stop and the machine's own limits come first.

    Example: nightrig check protocols/overnight-wet-prism.toml
    """


def main(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit code."""
    print_anything()
    if arguments is None:
        keep_for_good()
    words = sys.argv[1:] if arguments is None else arguments
    if not words:
        _leave(group.get_help(click.Context(group, info_name="nightrig")), 2)
    try:
        code: Any = group.main(words, prog_name="nightrig", standalone_mode=False)
    except click.ClickException as error:
        _leave(usage_line(error, words[0] if words[0] in COMMANDS else ""), 2)
    except click.exceptions.Abort:
        _leave("nightrig: stopped from the keyboard", 5)
    except OSError as error:
        _leave(f"nightrig: {error.filename or ''}: {error.strerror or error}", 2)
    except RigError as error:
        _leave(str(error), error.exit_code)
    sys.exit(code if isinstance(code, int) else 0)


def _leave(words: str, code: int) -> NoReturn:
    """Say why and leave; the code is the same where nobody can read the words."""
    try:
        click.echo(folded(visible(words), sys.stderr), err=True)
    except OSError:
        # What waits in its buffer would fail once more at the very end.
        sys.stderr = None
    sys.exit(code)


if __name__ == "__main__":
    main()
