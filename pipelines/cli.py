"""The command line. Heavy imports wait until a command needs them: `--help` is instant."""

from __future__ import annotations

import enum
import functools
import gc
import os
import sys
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Annotated, NoReturn, ParamSpec

import typer

from rightsize.errors import (
    ConfigError,
    DamageError,
    QueryError,
    RightsizeError,
    WorkspaceBusyError,
)

P = ParamSpec("P")

_WIDEST = 900  # characters of a line of a message; a longer one hides what it says
DONE, FAILED, BAD_CONFIG, PARTLY, BUSY, STOPPED = 0, 1, 2, 3, 4, 130

app = typer.Typer(
    name="rightsize",
    help="Find oversized, undersized and wrong-type water meters from AMI interval reads.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


class OutputFormat(enum.StrEnum):
    """Output formats of `query`."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"


Config = Annotated[Path, typer.Argument(help="the utility's sweep.yaml", show_default=False)]
LogJson = Annotated[
    bool, typer.Option("--log-json", help="write log events to standard error as JSON lines")
]
Notify = Annotated[
    str | None,
    typer.Option(
        "--notify",
        help="where to send alerts (sweep failed, validation failed, flagged accounts changed):"
        " URL (JSON by POST) or command (JSON on stdin)",
        envvar="RIGHTSIZE_NOTIFY",
    ),
]


def guarded(command: Callable[P, None]) -> Callable[P, None]:
    """Turn an error of the input or the workspace into one message and an exit code."""

    @functools.wraps(command)
    def run(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            _stop("stopped; previously published results are unchanged", STOPPED)
        except WorkspaceBusyError as error:
            _stop(str(error), BUSY)
        except (ConfigError, DamageError, QueryError) as error:
            _stop(str(error), BAD_CONFIG)
        except RightsizeError as error:
            _stop(str(error), FAILED)
        except Exception as error:
            from pipelines.commands.system_error import said_in_a_line

            told = said_in_a_line(error)
            if told is None:
                raise
            _stop(told.text, BAD_CONFIG if told.is_damage else FAILED)

    return run


def _stop(text: str, code: int) -> NoReturn:
    from pipelines.commands.console import shown

    lines = [
        line if len(line) <= _WIDEST else f"{line[:_WIDEST]}..." for line in text.split("\n")
    ]
    print(f"rightsize: {shown(chr(10).join(lines))}", file=sys.stderr)
    raise typer.Exit(code)


@app.command()
@guarded
def sweep(
    config: Config,
    full: Annotated[
        bool, typer.Option("--full", help="rebuild all profiles and results from stored reads")
    ] = False,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only", help="preview this account from stored reads; nothing is published"
        ),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="number of workers on this machine")
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option("--scheduler", help="Dask scheduler address, e.g. tcp://10.0.0.5:8786"),
    ] = None,
    notify: Notify = None,
    log_json: LogJson = False,
) -> None:
    """Process all new reads, assess every meter and publish the results."""
    from pipelines.work.imports import uncollected

    with uncollected():
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
    accounts: Annotated[int, typer.Option(min=20, help="number of accounts")] = 400,
    months: Annotated[int, typer.Option(min=1, max=36, help="months of reads")] = 13,
    seed: Annotated[int | None, typer.Option(min=0, help="random seed")] = None,
    logs: Annotated[
        bool,
        typer.Option(
            "--logs",
            help="in a swept demo: bring back the campaign's flow logs and meter tests;"
            " without a campaign logs of accounts to be logged first",
        ),
    ] = False,
    tests: Annotated[
        bool,
        typer.Option(
            "--tests",
            help="in a swept demo: bring back tests of the meters due, and of those drawn"
            " for the samples of their lots",
        ),
    ] = False,
) -> None:
    """Write a simulated demo utility: configuration, AMI exports, meter list and tariff."""
    from pipelines.commands import console
    from pipelines.demo.write import DEFAULT_SEED, write_demo

    if logs or tests:
        from pipelines.configuration.visits_file import read_visits
        from pipelines.demo.back.bring_back import bring_back

        visits = folder / "workspace" / "campaign" / "visits.csv"
        planned = read_visits(visits) if logs and visits.is_file() else None
        for line in bring_back(folder, planned, due_tests=tests):
            console.out.print(line, soft_wrap=True)
        console.out.print(f"next: rightsize sweep {folder / 'sweep.yaml'}", soft_wrap=True)
        return
    chosen = DEFAULT_SEED if seed is None else seed
    summary = write_demo(folder, accounts=accounts, months=months, seed=chosen)
    console.out.print(
        f"{summary.utility}: {summary.accounts:,} accounts{summary.beside}, "
        f"{summary.months} months, "
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
    file: Annotated[
        str | None, typer.Option(help="only files whose path contains this text")
    ] = None,
    month: Annotated[str | None, typer.Option(help="only this month, e.g. 2025-01")] = None,
    limit: Annotated[int | None, typer.Option(min=1, help="maximum number of rows")] = None,
    to: Annotated[Path | None, typer.Option(help="CSV file to write the rows to")] = None,
) -> None:
    """List rejected and flagged rows of the exports, by file and line."""
    from pipelines.commands import flagged_rows
    from pipelines.configuration.load_settings import load

    wanted = flagged_rows.Wanted(rule=rule, meter_id=meter, file=file, month=month)
    flagged_rows.show_flagged_rows(load(config), wanted, limit=limit, to=to)


@app.command()
@guarded
def schedule(
    config: Config,
    nightly: Annotated[
        str, typer.Option("--nightly", help="cron schedule, in the utility's time zone")
    ] = "0 2 * * *",
    monthly: Annotated[
        str, typer.Option("--monthly", help="cron schedule, in the utility's time zone")
    ] = "0 4 2 * *",
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="number of workers")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="Dask scheduler address")
    ] = None,
    budget: Annotated[
        float | None,
        typer.Option(min=0, help="choose a replacement program monthly, for this budget, USD"),
    ] = None,
    crews: Annotated[
        int | None, typer.Option(min=1, help="number of crews in that program")
    ] = None,
    port: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=65535,
            help="port of the built-in Prefect server on localhost; default: a free one",
        ),
    ] = None,
    notify: Notify = None,
    log_json: LogJson = False,
) -> None:
    """Run nightly and monthly sweeps through Prefect until stopped."""
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
        float,
        typer.Option(min=0, help="maximum age of the last good sweep and of unread files"),
    ] = 36.0,
    max_hold_hours: Annotated[
        float, typer.Option(min=0, help="maximum time one sweep may lock the workspace")
    ] = 12.0,
    min_free_gb: Annotated[
        float, typer.Option(min=0, help="minimum free space on the workspace disk")
    ] = 5.0,
    deep: Annotated[
        bool, typer.Option("--deep", help="also verify every stored file; reads all of them")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="output as JSON")] = False,
) -> None:
    """Check workspace health. Exit 0 healthy, 3 warning, 1 failing."""
    from pipelines.commands import console
    from pipelines.commands import health as checks
    from pipelines.configuration.load_settings import load

    limits = checks.Limits(
        max_age_hours=max_age_hours, max_hold_hours=max_hold_hours, min_free_gb=min_free_gb
    )
    loaded = load(config)
    found = checks.health(loaded, limits)
    if deep:
        from pipelines.commands.scrub import scrub

        with console.progress(quiet=as_json) as report:
            found = replace(found, checks=(*found.checks, *scrub(loaded.workspace, report)))
    if as_json:
        print(checks.as_json(found))
    else:
        checks.show_health(found, console.out)
    raise typer.Exit((DONE, PARTLY, FAILED)[found.state])


@app.command()
@guarded
def query(
    config: Config,
    sql: Annotated[str | None, typer.Argument(help="SQL query", show_default=False)] = None,
    format: Annotated[
        OutputFormat, typer.Option("--format", "-f", help="output format")
    ] = OutputFormat.table,
    limit: Annotated[int | None, typer.Option(min=1, help="maximum number of rows")] = None,
    to: Annotated[Path | None, typer.Option(help="file to write the result to")] = None,
    describe: Annotated[
        bool, typer.Option("--describe", help="list the tables, or the columns of one table")
    ] = False,
    timeout: Annotated[
        float, typer.Option("--timeout", min=0.1, help="time limit [s]")
    ] = 300.0,
    memory: Annotated[
        str, typer.Option("--memory", help="memory limit; larger results spill to disk")
    ] = "2GB",
) -> None:
    """Run read-only SQL on the published results."""
    from pipelines.commands import query as questions
    from pipelines.configuration.load_settings import load
    from pipelines.work.stop import statements_ended, stoppable

    results = load(config).workspace.results
    if describe:
        questions.describe(results, sql, format=format.value, to=to)
    elif sql is None:
        raise ConfigError('no query given; try "select * from flagged_account limit 20"')
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
    accounts: Annotated[list[str], typer.Argument(help="account numbers")],
    pdf: Annotated[bool, typer.Option("--pdf", help="also write each page as PDF")] = False,
    to: Annotated[Path | None, typer.Option(help="output folder")] = None,
    without_names: Annotated[
        bool, typer.Option("--without-names", help="leave out the customer's name and address")
    ] = False,
    codes: Annotated[
        bool,
        typer.Option("--codes", help="a code for account and meter, no name; needs --to"),
    ] = False,
) -> None:
    """Write an evidence page for each account, for the field visit."""
    from pipelines.commands import console
    from pipelines.configuration.load_settings import load
    from pipelines.pages.evidence import write_site_pages
    from rightsize.evidence.privacy import Shown

    loaded = load(config)
    shown: Shown | None = "codes" if codes else "accounts" if without_names else None
    with console.progress() as report:
        pages = write_site_pages(
            loaded, accounts, pdf=pdf, folder=to, shown=shown, progress=report
        )
    for account, page in zip(dict.fromkeys(accounts), pages, strict=True):
        console.out.print(f"{account}: {page}" if codes else str(page), soft_wrap=True)


@app.command()
@guarded
def program(
    config: Config,
    budget: Annotated[float, typer.Option("--budget", min=0, help="budget for the year, USD")],
    crews: Annotated[
        int | None, typer.Option(min=1, help="number of crews; default: no limit")
    ] = None,
    crew_hours: Annotated[
        float, typer.Option(min=1, help="hours per year that each crew spends on change-outs")
    ] = 1600.0,
    certainty: Annotated[
        float, typer.Option(min=0, max=1, help="0: expected net benefit; 1: its low estimate")
    ] = 0.0,
    mobilise: Annotated[
        float,
        typer.Option("--mobilize", "--mobilise", min=0, help="mobilization cost per area, USD"),
    ] = 0.0,
    min_per_area: Annotated[int, typer.Option(min=1, help="minimum change-outs per area")] = 1,
    max_areas: Annotated[
        int | None, typer.Option(min=1, help="maximum number of areas")
    ] = None,
    to: Annotated[Path | None, typer.Option(help="CSV file for the full list")] = None,
) -> None:
    """Choose this year's change-outs within a budget and crew hours."""
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
        console.out.print(f"full list: {to}", soft_wrap=True)


@app.command("test-program")
@guarded
def plan_tests(
    config: Config,
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", help="first day of the program; default: the last read's"),
    ] = None,
    to: Annotated[Path | None, typer.Option(help="folder for the lists as CSV")] = None,
) -> None:
    """List meters due for an accuracy test, outcomes of tests, and lots to sample."""
    from pipelines.commands import console
    from pipelines.commands.field.meter_tests import day_of, meter_test_program
    from pipelines.commands.field.meter_tests_summary import (
        show_test_program,
        write_test_program,
    )
    from pipelines.configuration.load_settings import load

    loaded = load(config)
    units = loaded.settings.units
    program = meter_test_program(loaded, as_of=day_of(as_of))
    show_test_program(program, console.out, units=units)
    if to:
        for path in write_test_program(program, to, units=units):
            console.out.print(f"written: {path}", soft_wrap=True)


@app.command("work-orders")
@guarded
def work_orders(
    config: Config,
    visits: Annotated[
        Path | None,
        typer.Option(help="visits.csv of a campaign; default: that of the workspace"),
    ] = None,
    to: Annotated[Path | None, typer.Option(help="output folder")] = None,
    names: Annotated[
        bool, typer.Option("--names", help="show the customer's name and address")
    ] = False,
    codes: Annotated[
        bool, typer.Option("--codes", help="a code for account and meter; needs --to")
    ] = False,
) -> None:
    """Write work orders, crew lists and the form for results of a campaign."""
    from pipelines.commands import console
    from pipelines.configuration.load_settings import load
    from pipelines.configuration.visits_file import read_visits
    from pipelines.pages.work_orders import write_work_orders
    from rightsize.evidence.privacy import Shown

    if codes and to is None:
        raise ConfigError("pages with codes need a folder of their own: name it by --to")
    loaded = load(config)
    home = loaded.workspace.root / "campaign"
    planned = read_visits(visits or home / "visits.csv")
    shown: Shown = "codes" if codes else "names" if names else "accounts"
    papers = write_work_orders(loaded, planned, to or home / "work_orders", shown=shown)
    console.out.print(
        f"{len(papers.orders):,} work orders, {len(papers.lists):,} lists of crews;"
        f" results come back in {papers.form}",
        soft_wrap=True,
    )
    console.out.print(f"page: {papers.campaign}", soft_wrap=True)


@app.command()
@guarded
def campaign(
    config: Config,
    loggers: Annotated[int, typer.Option(min=0, help="number of flow loggers")],
    weeks: Annotated[int, typer.Option(min=1, max=104, help="weeks of the campaign")],
    budget: Annotated[float, typer.Option(min=0, help="budget of the campaign, USD")],
    start: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], help="first day; default: today"),
    ] = None,
    crews: Annotated[int, typer.Option(min=1, max=100, help="number of crews")] = 1,
    to: Annotated[
        Path | None,
        typer.Option(help="folder for the lists; default: campaign in the workspace"),
    ] = None,
) -> None:
    """Choose which sites to log or test, in which week, and write the crews' lists."""
    from pipelines.commands import console
    from pipelines.commands.campaign.choose import campaign as choose
    from pipelines.commands.campaign.summary import show_campaign, write_campaign
    from pipelines.configuration.load_settings import load

    loaded = load(config)
    outcome = choose(
        loaded.workspace.results,
        loaded.thresholds,
        loggers=loggers,
        weeks=weeks,
        budget_usd=budget,
        start_on=(start or datetime.now().astimezone()).date(),
        crews=crews,
        units=loaded.settings.units,
    )
    show_campaign(outcome, console.out)
    paths = write_campaign(outcome, to or loaded.workspace.campaign)
    console.out.print(
        f"lists: {paths[0]} and {len(paths) - 1:,} by crew and week", soft_wrap=True
    )
    if outcome.visits:
        where = f" --visits {paths[0]} --to {to / 'work_orders'}" if to else ""
        console.out.print(f"next: rightsize work-orders {config}{where}", soft_wrap=True)


@app.command()
@guarded
def verify(
    config: Config,
    to: Annotated[Path | None, typer.Option(help="CSV file for the full list")] = None,
) -> None:
    """Hold what came of past change-outs against what was promised."""
    from pipelines.commands import console
    from pipelines.commands.verify import show_verified, verified, write_verified
    from pipelines.configuration.load_settings import load

    loaded = load(config)
    outcome = verified(loaded.workspace.results)
    show_verified(outcome, console.out, units=loaded.settings.units, config=config)
    page = loaded.workspace.published / "pages" / "outcome.html"
    if page.is_file():
        console.out.print(f"page: {page}", soft_wrap=True)
    if to:
        write_verified(outcome, to, units=loaded.settings.units)
        console.out.print(f"full list: {to}", soft_wrap=True)


@app.command()
@guarded
def design(
    config: Config,
    fixtures: Annotated[
        list[str] | None, typer.Argument(help="fixture counts, e.g. lavatory_public=4")
    ] = None,
    supply: Annotated[str, typer.Option(help="water closet supply: tank or valve")] = "tank",
    spray: Annotated[
        float, typer.Option(min=0, help="spray irrigation, sections of 100 ft2")
    ] = 0.0,
    rotary: Annotated[
        float, typer.Option(min=0, help="rotary irrigation, sections of 100 ft2")
    ] = 0.0,
    like: Annotated[
        str | None, typer.Option("--like", help="size from accounts of this class instead")
    ] = None,
    floor_area: Annotated[
        float | None, typer.Option(min=1, help="with --like: floor area, ft2")
    ] = None,
) -> None:
    """Size a meter for an account without reads, from fixtures or similar accounts."""
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
        raise ConfigError("give fixtures, e.g. lavatory_public=4, or --like CLASS")
    show_design(found, console.out)


@app.command()
@guarded
def priors(
    logs: Annotated[
        list[Path], typer.Argument(help="flow logs, 1 min or finer, CSV or Parquet")
    ],
    to: Annotated[
        Path, typer.Option(help="priors file to write; set it as `priors` in CONFIG")
    ],
    base: Annotated[
        Path | None,
        typer.Option(help="priors for classes without logs; default: the shipped priors"),
    ] = None,
) -> None:
    """Fit customer-class priors to flow logs of your own sites."""
    from pipelines.commands import console
    from pipelines.commands.fit_priors import fit_priors

    fitted = fit_priors(logs, to, base=base)
    console.out.print(f"fitted: {', '.join(fitted)}; written: {to}", soft_wrap=True)


def main() -> None:
    """Run the command line; what it writes is for its own user."""
    from pipelines.store.private_files import private_umask

    private_umask()
    try:
        app()
    finally:
        gc.freeze()  # the end of a process looks through all that is left: up to 0.9 s


if __name__ == "__main__":
    main()
