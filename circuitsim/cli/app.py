"""The program: its commands, and how every error becomes one line and an exit code."""

from __future__ import annotations

import copy
import re
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

import click

from circuitsim.cli.commands import list_command, predict_command, show_command
from circuitsim.cli.compare import compare_command
from circuitsim.cli.diagnose import diagnose_command
from circuitsim.cli.faults import faults_command
from circuitsim.cli.fit import fit_command
from circuitsim.cli.new import new_command
from circuitsim.cli.output import NO_POINT, put, say
from circuitsim.cli.testability import testability_command
from circuitsim.cli.tolerance import tolerance_command
from circuitsim.cli.transient import transient_command
from circuitsim.cli.verify import verify_command
from circuitsim.cli.waveform import waveform_command
from circuitsim.cli.wiggle import wiggle_command
from circuitsim.errors import CircuitsimError, InputError, SolveError, UnknownNameError, shown

__all__ = ["Program", "program"]

_BAD_INPUT, _INTERRUPTED = 2, 130


class Program(click.Group):
    """A group of commands that tells every error in one line on standard error."""

    def main(
        self, args: Sequence[str] | None = None, prog_name: str | None = None, complete_var: str | None = None,
        standalone_mode: bool = True, windows_expand_args: bool = True, **extra: Any,
    ) -> NoReturn:  # fmt: skip
        """Run the command line and leave with its exit code; errors that nobody foresaw keep their traceback."""
        try:
            extra["windows_expand_args"] = windows_expand_args
            result = super().main(args, prog_name or "circuitsim", complete_var, standalone_mode=False, **extra)
        except CircuitsimError as error:
            say(str(self._with_option(error)))
            sys.exit(NO_POINT if isinstance(error, SolveError) else _BAD_INPUT)
        except click.ClickException as error:
            say(_usage(error))
            sys.exit(_BAD_INPUT)
        except click.Abort:
            say("interrupted")
            sys.exit(_INTERRUPTED)
        sys.exit(result if isinstance(result, int) else 0)

    def _with_option(self, error: CircuitsimError) -> CircuitsimError:
        """Give an error whose place is an argument of the library the place that the user knows: ``--supply``."""
        if not isinstance(error, InputError) or error.key is None or error.file is not None:
            return error
        option = f"--{error.key.replace('_', '-')}"
        if all(option not in p.opts for command in self.commands.values() for p in command.params):
            return error
        placed = copy.copy(error)
        placed.key = option
        return placed

    def resolve_command(self, ctx: click.Context, args: list[str]) -> tuple[str | None, click.Command | None, list[str]]:
        """Find a command by its name; UnknownNameError, with the nearest one, when there is none."""
        if self.get_command(ctx, args[0]) is None and not ctx.resilient_parsing:
            raise UnknownNameError("command", args[0], self.list_commands(ctx))
        return super().resolve_command(ctx, args)


def _usage(error: click.ClickException) -> str:
    """Say in one line what is wrong with the arguments, and where help is."""
    ctx = error.ctx if isinstance(error, click.UsageError) else None
    if isinstance(error, click.NoSuchOption) and ctx is not None:
        options = [name for p in ctx.command.get_params(ctx) for name in p.opts if name.startswith("--")]
        return str(UnknownNameError("option", error.option_name, options))
    message = error.format_message().strip().splitlines()[0].rstrip(".")
    said = _worded(error, message, ctx) or message[:1].lower() + message[1:]
    return f"{said}; see '{ctx.command_path} --help'" if ctx is not None else said


def _worded(error: click.ClickException, message: str, ctx: click.Context | None) -> str:
    """Say in this package's words what click says of arguments; nothing for what it has no words for."""
    param = error.param if isinstance(error, click.BadParameter) else None
    if isinstance(error, click.MissingParameter) and param is not None:
        return _missing(param)
    if param is not None and (found := re.search(r"'?([^':]+)'? is not ", message)):
        return f"{param.opts[-1]}: {shown(found[1].strip())} found; accepted: {_range(param.type)}"
    if isinstance(error, click.BadOptionUsage):  # knows no context: any command's option of this name
        every = [p for command in (program, *program.commands.values()) for p in command.params]
        given = next((p for p in every if error.option_name in p.opts), None)
        flag = given is None or getattr(given, "is_flag", False)
        return f"{error.option_name} takes no value" if flag or given is None else _missing(given, error.option_name)
    extra = re.search(r"extra arguments? \((.*)\)", message)
    if extra is None or ctx is None:
        return ""
    taken = " ".join(str(p.metavar or p.name).upper() for p in ctx.command.params if isinstance(p, click.Argument))
    return f"{shown(extra[1], 100)} is too much; {ctx.command.name} takes {taken or 'nothing'} besides options"


def _missing(param: click.Parameter, name: str = "") -> str:
    """Say which argument, or value of an option, is missing, and what it looks like."""
    if isinstance(param, click.Argument):
        what = "a name out of 'circuitsim list', or a .toml file" if param.name == "circuit" else "a file"
        return f"{str(param.metavar or param.name).upper()} is missing: {what}"
    option = name or param.opts[-1]
    return f"{option} needs a value, such as {option} {param.metavar or '…'}"


def _range(kind: object) -> str:
    """Say which numbers are taken."""
    what = "a number" if isinstance(kind, click.FloatRange) else "a whole number"
    low, high = getattr(kind, "min", None), getattr(kind, "max", None)
    if low is None or high is None:
        return what if low is None else f"{what} from {low} on"
    return f"{what} from {low} to {high}"


def _version(ctx: click.Context, _param: click.Parameter, wanted: bool) -> None:
    if wanted and not ctx.resilient_parsing:
        put(f"circuitsim {vars(sys.modules['circuitsim'])['__version__']}\n")
        ctx.exit()


@click.group(
    "circuitsim",
    cls=Program,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Exit codes: 0 done, 1 'verify' found something left over, 2 bad input, 3 no operating point, or no reading at all, "
    "that can be trusted, 130 interrupted.",
)
@click.option("--version", is_flag=True, is_eager=True, expose_value=False, callback=_version, help="Show the version.")
@click.pass_context
def program(ctx: click.Context) -> None:
    """Good readings for motor circuits that are always fed and controlled on the ground side.

    Start with 'circuitsim list', then 'circuitsim predict CIRCUIT'. The figures are those of a model: the vehicle
    maker's service information and the rules of the shop come first.
    """
    if ctx.invoked_subcommand is None:
        put(ctx.get_help() + "\n")


program.add_command(list_command)
program.add_command(show_command)
program.add_command(predict_command)
program.add_command(faults_command)
program.add_command(compare_command)
program.add_command(diagnose_command)
program.add_command(verify_command)
program.add_command(fit_command)
program.add_command(new_command)
program.add_command(testability_command)
program.add_command(tolerance_command)
program.add_command(transient_command)
program.add_command(waveform_command)
program.add_command(wiggle_command)
