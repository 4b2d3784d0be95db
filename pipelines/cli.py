"""The command line. Heavy imports wait until a command needs them: `--help` is instant."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from rightsize.errors import ConfigError, RightsizeError, WorkspaceBusyError

DONE, FAILED, BAD_CONFIG, PARTLY, BUSY, STOPPED = 0, 1, 2, 3, 4, 130

app = typer.Typer(
    name="rightsize",
    help="Names the oversized, undersized and wrong-type water meters of a fleet.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Config = Annotated[Path, typer.Argument(help="the utility's sweep.yaml", show_default=False)]


@app.command()
def sweep(
    config: Config,
    full: Annotated[bool, typer.Option("--full", help="rebuild from the exports")] = False,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", help="look at this account alone; nothing is published"),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="workers on this machine")
    ] = None,
) -> None:
    """The whole fleet: land, validate, profile, assess, recommend, publish."""
    from pipelines import console
    from pipelines.load_settings import load
    from pipelines.sweep import run_sweep, show_outcome

    loaded = load(config)
    with console.progress() as report:
        outcome = run_sweep(
            loaded, full=full, only=tuple(only or ()), workers=workers, progress=report
        )
    show_outcome(outcome, console.out)
    raise typer.Exit(PARTLY if outcome.is_partial else DONE)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="a new or empty folder", show_default=False)],
    accounts: Annotated[int, typer.Option(min=20, help="size of the fleet")] = 400,
    months: Annotated[int, typer.Option(min=1, max=36, help="months of reads")] = 13,
    seed: Annotated[int, typer.Option(min=0)] = 20,
) -> None:
    """Write a seeded demo utility: sweep.yaml beside exports, meters, catalogue and tariff."""
    from pipelines import console
    from pipelines.demo import write_demo

    summary = write_demo(folder, accounts=accounts, months=months, seed=seed)
    console.out.print(summary.text, soft_wrap=True)
    console.out.print(f"next: rightsize sweep {folder / 'sweep.yaml'}", soft_wrap=True)


def main() -> None:
    """Run the command line; what is wrong with the input is one message, not a traceback."""
    sys.exit(run(lambda: app(standalone_mode=False)))


def run(command: Callable[[], Any]) -> int:
    """Turn how a command ended into its exit code, with a message where it failed."""
    import click

    try:
        result = command()
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.exceptions.Abort:
        return _say("stopped; the results published before stay as they are", STOPPED)
    except click.ClickException as error:
        error.show()
        return BAD_CONFIG
    except KeyboardInterrupt:
        return _say("stopped; the results published before stay as they are", STOPPED)
    except WorkspaceBusyError as error:
        return _say(str(error), BUSY)
    except ConfigError as error:
        return _say(str(error), BAD_CONFIG)
    except RightsizeError as error:
        return _say(str(error), FAILED)
    return result if isinstance(result, int) else DONE


def _say(text: str, code: int) -> int:
    print(f"rightsize: {text}", file=sys.stderr)
    return code


if __name__ == "__main__":
    main()
