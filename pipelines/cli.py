"""The command line. Heavy imports wait until a command needs them: `--help` is instant."""

from __future__ import annotations

import enum
import functools
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, NoReturn, ParamSpec

import typer

from rightsize.errors import ConfigError, QueryError, RightsizeError, WorkspaceBusyError

P = ParamSpec("P")

DONE, FAILED, BAD_CONFIG, PARTLY, BUSY, STOPPED = 0, 1, 2, 3, 4, 130

app = typer.Typer(
    name="rightsize",
    help="Names the oversized, undersized and wrong-type water meters of a fleet.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


class OutputFormat(enum.StrEnum):
    """How `query` writes an answer."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


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
        except (ConfigError, QueryError) as error:
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


@app.command()
@guarded
def query(
    config: Config,
    sql: Annotated[str | None, typer.Argument(help="one question", show_default=False)] = None,
    format: Annotated[
        OutputFormat, typer.Option("--format", "-f", help="how the answer is written")
    ] = OutputFormat.table,
    limit: Annotated[int | None, typer.Option(min=1, help="at most so many rows")] = None,
    to: Annotated[Path | None, typer.Option(help="file to write the answer to")] = None,
    describe: Annotated[
        bool, typer.Option("--describe", help="what is there: tables, or the columns of one")
    ] = False,
) -> None:
    """Read-only SQL on the published results."""
    from pipelines import query as questions
    from pipelines.load_settings import load
    from pipelines.workspace import Workspace

    results = Workspace(load(config).workspace_root).results
    if describe:
        questions.describe(results, sql, format=format.value, to=to)
    elif sql is None:
        raise ConfigError(
            'a question is missing, e.g. "select * from flagged_account limit 20"'
        )
    else:
        questions.run_query(results, sql, format=format.value, limit=limit, to=to)


@app.command()
@guarded
def evidence(
    config: Config,
    accounts: Annotated[list[str], typer.Argument(help="accounts to visit")],
    pdf: Annotated[bool, typer.Option("--pdf", help="a PDF beside each page")] = False,
    to: Annotated[Path | None, typer.Option(help="folder for the pages")] = None,
) -> None:
    """One self-contained page per account for the field visit."""
    from pipelines import console
    from pipelines.load_settings import load
    from pipelines.stages.evidence import write_site_pages

    loaded = load(config)
    with console.progress() as report:
        pages = write_site_pages(loaded, accounts, pdf=pdf, folder=to, progress=report)
    for page in pages:
        console.out.print(str(page), soft_wrap=True)


@app.command()
@guarded
def program(
    config: Config,
    budget: Annotated[float, typer.Option("--budget", min=0, help="money for the year [USD]")],
    crews: Annotated[int | None, typer.Option(min=1, help="crews; no limit if absent")] = None,
    crew_hours: Annotated[
        float, typer.Option(min=1, help="hours a crew works on change-outs in the year")
    ] = 1600.0,
    certainty: Annotated[
        float, typer.Option(min=0, max=1, help="0 counts the expected gain, 1 its low end")
    ] = 0.0,
    mobilise: Annotated[
        float, typer.Option(min=0, help="cost of sending crews to an area [USD]")
    ] = 0.0,
    min_per_area: Annotated[int, typer.Option(min=1, help="fewest changes in an area")] = 1,
    max_areas: Annotated[int | None, typer.Option(min=1, help="most areas opened")] = None,
    to: Annotated[Path | None, typer.Option(help="CSV file for the whole list")] = None,
) -> None:
    """The change-outs to do this year under a budget and a crew limit."""
    from pipelines import console
    from pipelines.load_settings import load
    from pipelines.program_summary import show_program, write_program
    from pipelines.stages.program import program as choose
    from pipelines.workspace import Workspace
    from rightsize.recommend.program_options import Lots

    loaded = load(config)
    outcome = choose(
        Workspace(loaded.workspace_root).results,
        loaded.thresholds,
        budget_usd=budget,
        crews=crews,
        crew_hours_per_year=crew_hours,
        lots=Lots(mobilise, min_per_area, max_areas),
        certainty_share=certainty,
        units=loaded.settings.units,
    )
    show_program(outcome, console.out)
    if to:
        write_program(outcome, to)
        console.out.print(f"the whole list: {to}", soft_wrap=True)


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
