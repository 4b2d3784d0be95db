"""The command line. Heavy imports wait until a command needs them: `--help` is instant."""

from __future__ import annotations

import functools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, NoReturn, ParamSpec

import typer

from rightsize.errors import ConfigError, RightsizeError, WorkspaceBusyError

P = ParamSpec("P")

DONE, FAILED, BAD_CONFIG, PARTLY, BUSY, STOPPED = 0, 1, 2, 3, 4, 130

app = typer.Typer(
    name="rightsize",
    help="Names the oversized, undersized and wrong-type water meters of a fleet.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

Config = Annotated[Path, typer.Argument(help="the utility's sweep.yaml", show_default=False)]


def guarded(command: Callable[P, None]) -> Callable[P, None]:
    """What is wrong with the input or the workspace is one message and its exit code."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            _stop("stopped; the results published before stay as they are", STOPPED)
        except WorkspaceBusyError as error:
            _stop(str(error), BUSY)
        except ConfigError as error:
            _stop(str(error), BAD_CONFIG)
        except RightsizeError as error:
            _stop(str(error), FAILED)

    return run


def _stop(text: str, code: int) -> NoReturn:
    print(f"rightsize: {text}", file=sys.stderr)
    raise typer.Exit(code)


@app.command()
@guarded
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
@guarded
def demo(
    folder: Annotated[Path, typer.Argument(help="a new or empty folder", show_default=False)],
    accounts: Annotated[int, typer.Option(min=20, help="size of the fleet")] = 400,
    months: Annotated[int, typer.Option(min=1, max=36, help="months of reads")] = 13,
    seed: Annotated[int | None, typer.Option(min=0)] = None,
) -> None:
    """Write a seeded demo utility: sweep.yaml beside exports, meters, catalogue and tariff."""
    from pipelines import console
    from pipelines.demo.write import DEFAULT_SEED, write_demo

    chosen = DEFAULT_SEED if seed is None else seed
    summary = write_demo(folder, accounts=accounts, months=months, seed=chosen)
    console.out.print(
        f"{summary.utility}: {summary.accounts:,} accounts, {summary.months} months, "
        f"{summary.rows:,} reads in {summary.files} files, "
        f"{summary.bytes_written / 1e6:,.0f} MB",
        soft_wrap=True,
    )
    console.out.print(f"next: rightsize sweep {summary.config}", soft_wrap=True)


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
