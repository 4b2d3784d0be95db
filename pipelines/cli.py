"""The command line. Heavy imports wait until a command needs them: `--help` is instant."""

from __future__ import annotations

import enum
import functools
import os
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
LogJson = Annotated[
    bool, typer.Option("--log-json", help="events as JSON lines on standard error")
]
Notify = Annotated[
    str | None,
    typer.Option(
        "--notify",
        help="told when a sweep fails, a suite fails or the flagged list changes: a web"
        " address (JSON is posted) or a command (JSON on its standard input)",
        envvar="RIGHTSIZE_NOTIFY",
    ),
]


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
        except Exception as error:
            told = _of_the_system(error)
            if told is None:
                raise
            _stop(told, FAILED)

    return run


def _of_the_system(error: Exception) -> str | None:
    """What the machine refused (a disk that is full or read-only, a lock), as one line."""
    if isinstance(error, OSError):
        where = f"{os.fsdecode(error.filename)}: " if error.filename else ""
        return f"{where}{(error.strerror or str(error) or type(error).__name__).lower()}"
    import duckdb

    if isinstance(error, duckdb.IOException | duckdb.FatalException):
        return " ".join(str(error).split())
    return None


def _stop(text: str, code: int) -> NoReturn:
    from pipelines.commands.console import shown

    print(f"rightsize: {shown(text)}", file=sys.stderr)
    raise typer.Exit(code)


@app.command()
@guarded
def sweep(
    config: Config,
    full: Annotated[
        bool, typer.Option("--full", help="profiles and results anew from the lake")
    ] = False,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only", help="tell this account alone, from what has landed; nothing is published"
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="workers on this machine")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="Dask scheduler, e.g. tcp://10.0.0.5:8786"),
    ] = None,
    notify: Notify = None,
    log_json: LogJson = False,
) -> None:
    """The whole fleet: land, validate, profile, assess, recommend, publish."""
    from pipelines.commands import console
    from pipelines.configuration.load_settings import load
    from pipelines.service.notify import noted
    from pipelines.sweep.state import SweepOrder
    from pipelines.sweep.sweep import run_sweep, show_outcome, sweep_pool
    from pipelines.work.observe import log_to
    from pipelines.work.stop import stoppable

    loaded = load(config)
    logs = loaded.workspace.logs
    with stoppable(), log_to(logs, to_stderr=log_json):
        if only:
            from pipelines.commands.preview import preview, show_preview

            with sweep_pool(loaded, workers=workers, scheduler=scheduler) as pool:
                show_preview(preview(loaded, tuple(only), pool), console.out)
            raise typer.Exit(DONE)
        with console.progress(quiet=log_json) as report:
            run = functools.partial(
                run_sweep,
                loaded,
                SweepOrder(full=full),
                workers=workers,
                scheduler=scheduler,
                progress=report,
            )
            outcome = noted(loaded, notify, run)
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
    from pipelines.commands import console
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
def look(
    files: Annotated[
        list[Path],
        typer.Argument(help="export files, and the meter list", show_default=False),
    ],
    to: Annotated[
        Path | None, typer.Option(help="sweep.yaml to write; shown if absent")
    ] = None,
    timezone: Annotated[
        str | None, typer.Option(help="the utility's, such as America/Denver")
    ] = None,
) -> None:
    """Look at unknown exports and a meter list, and write the sweep.yaml that reads them."""
    from pipelines.commands.look.configure import propose_configuration, write_configuration

    found = propose_configuration(files, to.parent if to else Path(), timezone=timezone)
    if to is None:
        print(found.text, end="")
        return
    for path in write_configuration(found, to):
        print(f"written: {path}")
    chosen = [line.strip("# ") for line in found.text.splitlines() if "CHOOSE" in line]
    for line in chosen:
        print(line)
    print(f"next: rightsize sweep {to}")


@app.command()
@guarded
def rows(
    config: Config,
    rule: Annotated[str | None, typer.Option(help="only this rule")] = None,
    meter: Annotated[str | None, typer.Option(help="only this meter")] = None,
    file: Annotated[str | None, typer.Option(help="only files with this in their path")] = None,
    month: Annotated[str | None, typer.Option(help="only this month of the lake")] = None,
    limit: Annotated[int | None, typer.Option(min=1, help="at most so many rows")] = None,
    to: Annotated[Path | None, typer.Option(help="CSV file to write the rows to")] = None,
) -> None:
    """Refused and flagged rows of the exports, by file and line."""
    from pipelines.commands import flagged_rows
    from pipelines.configuration.load_settings import load

    wanted = flagged_rows.Wanted(rule=rule, meter_id=meter, file=file, month=month)
    flagged_rows.show_flagged_rows(load(config), wanted, limit=limit, to=to)


@app.command()
@guarded
def schedule(
    config: Config,
    nightly: Annotated[
        str, typer.Option("--nightly", help="cron, in the utility's time zone")
    ] = "0 2 * * *",
    monthly: Annotated[
        str, typer.Option("--monthly", help="cron, in the utility's time zone")
    ] = "0 4 2 * *",
    workers: Annotated[int | None, typer.Option("--workers", min=1)] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="Dask scheduler for the bucket work")
    ] = None,
    budget: Annotated[
        float | None,
        typer.Option(min=0, help="monthly, choose the programme for so much money [USD]"),
    ] = None,
    crews: Annotated[int | None, typer.Option(min=1, help="crews of that programme")] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=65535,
            help="of its own Prefect server on the loopback; a free one if absent",
        ),
    ] = None,
    notify: Notify = None,
    log_json: LogJson = False,
) -> None:
    """Serve the nightly and monthly sweeps through Prefect, until stopped."""
    from pipelines.configuration.load_settings import load
    from pipelines.service.deployments import serve_forever
    from pipelines.work.observe import LOG_JSON
    from pipelines.work.stop import stoppable

    if log_json:
        os.environ[LOG_JSON] = "1"  # a run is a process of its own

    with stoppable():
        serve_forever(
            load(config),
            nightly_cron=nightly,
            monthly_cron=monthly,
            workers=workers,
            scheduler=scheduler,
            notify=notify,
            budget_usd=budget,
            crews=crews,
            port=port,
        )


@app.command()
@guarded
def health(
    config: Config,
    max_age_hours: Annotated[
        float, typer.Option(min=0, help="age of the last good sweep, and of files that wait")
    ] = 36.0,
    max_hold_hours: Annotated[
        float, typer.Option(min=0, help="how long one sweep may hold the workspace")
    ] = 12.0,
    min_free_gb: Annotated[
        float, typer.Option(min=0, help="room on the workspace's disk")
    ] = 5.0,
    as_json: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Whether the workspace is well. Exit code 0: well; 3: have a look; 1: failing."""
    from pipelines.commands import console
    from pipelines.commands import health as checks
    from pipelines.configuration.load_settings import load

    limits = checks.Limits(
        max_age_hours=max_age_hours, max_hold_hours=max_hold_hours, min_free_gb=min_free_gb
    )
    found = checks.health(load(config), limits)
    if as_json:
        print(checks.as_json(found))
    else:
        checks.show_health(found, console.out)
    raise typer.Exit((DONE, PARTLY, FAILED)[found.state])


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
    timeout: Annotated[
        float, typer.Option("--timeout", min=0.1, help="longest that it may take [s]")
    ] = 300.0,
    memory: Annotated[
        str, typer.Option("--memory", help="most memory; beyond it spills to disk")
    ] = "2GB",
) -> None:
    """Read-only SQL on the published results."""
    from pipelines.commands import query as questions
    from pipelines.configuration.load_settings import load
    from pipelines.work.stop import statements_ended, stoppable

    results = load(config).workspace.results
    if describe:
        questions.describe(results, sql, format=format.value, to=to)
    elif sql is None:
        raise ConfigError(
            'a question is missing, e.g. "select * from flagged_account limit 20"'
        )
    else:
        with stoppable(), statements_ended():
            questions.run_query(
                results,
                sql,
                format=format.value,
                limit=limit,
                to=to,
                timeout_s=timeout,
                memory=memory,
            )


@app.command()
@guarded
def evidence(
    config: Config,
    accounts: Annotated[list[str], typer.Argument(help="accounts to visit")],
    pdf: Annotated[bool, typer.Option("--pdf", help="a PDF beside each page")] = False,
    to: Annotated[Path | None, typer.Option(help="folder for the pages")] = None,
) -> None:
    """One self-contained page per account for the field visit."""
    from pipelines.commands import console
    from pipelines.configuration.load_settings import load
    from pipelines.pages.evidence import write_site_pages

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
    from pipelines.commands import console
    from pipelines.commands.program import program as choose
    from pipelines.commands.program_summary import show_program, write_program
    from pipelines.configuration.load_settings import load
    from rightsize.recommend.program.options import Lots

    loaded = load(config)
    outcome = choose(
        loaded.workspace.results,
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


@app.command()
@guarded
def design(
    config: Config,
    fixtures: Annotated[
        list[str] | None, typer.Argument(help="fixtures, e.g. lavatory_public=4 service_sink=1")
    ] = None,
    supply: Annotated[str, typer.Option(help="water closets: tank or valve")] = "tank",
    spray: Annotated[float, typer.Option(min=0, help="100 ft2 sections of spray heads")] = 0.0,
    rotary: Annotated[
        float, typer.Option(min=0, help="100 ft2 sections of rotary heads")
    ] = 0.0,
    like: Annotated[
        str | None, typer.Option("--like", help="instead: by accounts of this class")
    ] = None,
    floor_area: Annotated[
        float | None, typer.Option(min=1, help="with --like: floor area [ft2]")
    ] = None,
) -> None:
    """A design aid for an account without reads: by fixtures or by accounts alike."""
    from pipelines.commands import console
    from pipelines.commands.design import design_by_fixtures, design_by_peers, show_design
    from pipelines.configuration.load_settings import load

    loaded = load(config)
    if like:
        found = design_by_peers(loaded, customer_class=like, floor_area_ft2=floor_area)
    elif fixtures or spray or rotary:
        found = design_by_fixtures(
            loaded, fixtures or (), supply=supply, spray=spray, rotary=rotary
        )
    else:
        raise ConfigError("say fixtures, e.g. lavatory_public=4, or --like CLASS")
    show_design(found, console.out)


@app.command()
@guarded
def priors(
    logs: Annotated[list[Path], typer.Argument(help="logs of 1 min or finer, CSV or Parquet")],
    to: Annotated[
        Path, typer.Option(help="priors file to write; name it as priors: in CONFIG")
    ],
    base: Annotated[
        Path | None,
        typer.Option(help="priors for classes not logged; the shipped ones if absent"),
    ] = None,
) -> None:
    """Class priors of your own customers, fitted to logged sites."""
    from pipelines.commands import console
    from pipelines.commands.fit_priors import fit_priors

    fitted = fit_priors(logs, to, base=base)
    console.out.print(f"fitted: {', '.join(fitted)}; written: {to}", soft_wrap=True)


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()
