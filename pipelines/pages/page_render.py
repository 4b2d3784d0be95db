"""Pages to files: drawn in this process, or in several where many are asked for."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Iterable
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from typing import Final

from pipelines.store.storage import put_file
from pipelines.work.bucket_work import Progress
from rightsize.errors import ConfigError
from rightsize.evidence.file_names import page_file
from rightsize.evidence.page import site_page
from rightsize.evidence.site import SiteEvidence

Account = tuple[str, tuple[SiteEvidence, ...]]

WORTH_A_PROCESS: Final = 20
"""Pages from which another process repays its start."""


def render_all(
    work: Iterable[Account],
    folder: Path,
    *,
    total: int,
    pdf: bool,
    workers: int | None = None,
    progress: Progress | None = None,
) -> None:
    """Write the page of each account; each file appears whole or not at all."""
    if pdf:
        _require_pdf()
    count = workers or min(os.cpu_count() or 1, 1 + total // WORTH_A_PROCESS)
    if progress:
        progress("evidence", 0, total)
    if count == 1:
        for done, account in enumerate(work, start=1):
            write_page(account, folder, pdf)
            if progress:
                progress("evidence", done, total)
        return
    _in_processes(work, folder, total=total, pdf=pdf, count=count, progress=progress)


def _in_processes(
    work: Iterable[Account],
    folder: Path,
    *,
    total: int,
    pdf: bool,
    count: int,
    progress: Progress | None,
) -> None:
    """As `render_all`; never more than a few accounts wait, so that memory stays bounded."""
    done = 0
    waiting: set[Future[None]] = set()

    def settle(finished: Iterable[Future[None]]) -> None:
        nonlocal done
        for future in finished:
            future.result()
            done += 1
            if progress:
                progress("evidence", done, total)

    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=count, mp_context=context) as pool:
        for account in work:
            waiting.add(pool.submit(write_page, account, folder, pdf))
            if len(waiting) >= 4 * count:
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                settle(finished)
        settle(wait(waiting).done)


def write_page(account: Account, folder: Path, pdf: bool) -> None:
    """Draw one account and put its file in place."""
    account_id, meters = account
    path = folder / page_file(account_id)
    put_file(path, site_page(meters).encode("utf-8", "replace"))
    if pdf:
        put_file(path.with_suffix(".pdf"), _pdf(site_page(meters, for_pdf=True)))


def _pdf(page: str) -> bytes:
    """The page on paper; nothing but its own `data:` addresses is opened."""
    from weasyprint import HTML
    from weasyprint.urls import URLFetcher

    fetcher = URLFetcher(allowed_protocols=("data",))
    content: bytes = HTML(string=page, url_fetcher=fetcher).write_pdf()
    return content


def _require_pdf() -> None:
    try:
        import weasyprint  # noqa: F401
    except (ImportError, OSError) as error:
        raise ConfigError(
            f"PDF needs the extra `pdf` (pip install 'rightsize[pdf]') and Pango on this "
            f"machine: {error}; without it, print the HTML page from a browser: it is laid "
            "out for two pages"
        ) from None
