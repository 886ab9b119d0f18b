"""The command line: assembles every command and maps errors to exit statuses."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import click

from logger.cli import files, fire, firings, rig
from logger.errors import StokewatchError, UserError

# Commands import what they use themselves: `stokewatch --help` must not wait for numpy or Dash.

SYSTEM = os.name


def main(argv: list[str] | None = None) -> None:
    """Run the command line and exit: 0 on success, 2 for a user's mistake, 1 for a failure of ours."""
    if SYSTEM == "nt":  # serial ports, locks and pseudo-terminals here need POSIX
        _complain(
            "stokewatch: runs on Linux, on a small computer by the fire, not on Windows; on Windows use it "
            "inside WSL 2, or open its page in a browser"
        )
        sys.exit(2)
    try:
        code = cli.main(args=argv, prog_name="stokewatch", standalone_mode=False)
    except click.exceptions.Abort:
        code = 130
    except click.exceptions.NoArgsIsHelpError as exc:
        exc.show(sys.stdout)
        code = 0
    except click.ClickException as exc:
        context = exc.ctx.command_path if isinstance(exc, click.UsageError) and exc.ctx else "stokewatch"
        _complain(f"{context}: {exc.format_message()} (see {context} --help)")
        code = 2
    except UserError as exc:
        _complain(f"stokewatch: {exc}")
        code = 2
    except StokewatchError as exc:
        _complain(f"stokewatch: {exc}")
        code = 1
    except BrokenPipeError:
        code = 0
    sys.exit(code if isinstance(code, int) else 0)


def _complain(text: str) -> None:
    print(" ".join(text.split()), file=sys.stderr)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option(
    "--home", type=click.Path(path_type=Path, file_okay=False), help="The same as --home after the command."
)
@click.version_option(package_name="stokewatch")
@click.pass_context
def cli(ctx: click.Context, home: Path | None) -> None:
    """Watch an open pottery firing at every height, keep every reading, raise alarms beside the fire.

    Check burn bans and local fire codes before you light. Stokewatch can fail: keep watching the fire, not
    only the tablet.
    """
    ctx.obj = home


for _command in (
    *(fire.demo, fire.run, fire.log, fire.page, fire.pin, fire.mirror, fire.finish, fire.status),
    *(rig.ports, rig.listen, rig.hear, rig.check, rig.simulate),
    *(firings.firings, firings.show, firings.rehearse, firings.pull, files.import_, files.export),
):
    cli.add_command(_command)
