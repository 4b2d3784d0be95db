"""What each dependency costs: MB on disk and seconds of import.

`python -m tests.benchmarks.installed` prints the packages above 1 MB with the requirement of
rightsize that brings them, and the import times of the command line and of the packages that
rightsize names. Sizes are those of the files that each package lists as its own.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
EXTRAS: Final = ("service", "cluster", "objectstore", "postgresql")
LAST: Final = ("great-expectations", "prefect")
"""Counted after all others: they bring most packages, also some that others need."""
IMPORTED: Final = (
    "duckdb", "polars", "pyarrow", "numpy", "scipy.optimize", "pandas", "great_expectations",
    "pydantic", "yaml", "typer", "rich", "altair", "vl_convert", "jinja2", "prefect", "dask",
    "fsspec", "defusedxml", "blake3", "zstandard", "pipelines.cli",
)  # fmt: skip


def name_of(text: str) -> str:
    """The normal name of a package."""
    return re.sub(r"[-_.]+", "-", re.split(r"[^\w.-]", text.strip(), maxsplit=1)[0]).lower()


def sizes_mb() -> dict[str, float]:
    """MB on disk of each package that rightsize and its extras need."""
    return {name: _size_mb(name) for name in needed()}


def needed() -> dict[str, str]:
    """Each package, and the requirement of rightsize that brings it first."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = [(name_of(text), "") for text in project["dependencies"]]
    for extra in EXTRAS:
        more = project["optional-dependencies"][extra]
        asked += [(name_of(text), f" ({extra})") for text in more]
    found: dict[str, str] = {}
    asked.sort(key=lambda pair: (bool(pair[1]), pair[0] in LAST))
    for first_name, of_extra in asked:
        first, waiting = first_name + of_extra, [first_name]
        while waiting:
            name = waiting.pop()
            if name in found or not _is_installed(name):
                continue
            found[name] = first
            more = metadata.requires(name) or []
            waiting += [name_of(line) for line in more if "extra ==" not in line]
    return found


def _is_installed(name: str) -> bool:
    try:
        metadata.distribution(name)
    except metadata.PackageNotFoundError:
        return False
    return True


def _size_mb(name: str) -> float:
    files = metadata.files(name) or []
    paths = (Path(str(file.locate())) for file in files)
    return sum(path.stat().st_size for path in paths if path.is_file()) / 1e6


def import_s(module: str) -> float:
    """Seconds of processor time to import a module in a new interpreter, least of three."""
    program = (
        "import time; began = time.process_time(); import {}; "
        "print(time.process_time() - began)"
    )
    return min(
        float(
            subprocess.run(
                [sys.executable, "-c", program.format(module)],
                capture_output=True,
                text=True,
                check=True,
            ).stdout
        )
        for _ in range(3)
    )


def main() -> None:
    """Print both tables."""
    sizes, brought = sizes_mb(), needed()
    total: dict[str, float] = {}
    for name, size in sizes.items():
        total[brought[name]] = total.get(brought[name], 0.0) + size
    print("| requirement | MB, with what only it brings | largest of these |\n|---|---|---|")
    for first, size in sorted(total.items(), key=lambda item: -item[1]):
        own = sorted((n for n in sizes if brought[n] == first), key=lambda n: -sizes[n])
        print(f"| {first} | {size:.1f} | " + ", ".join(f"{n} {sizes[n]:.1f}" for n in own[:3]))
    print(f"| together | {sum(total.values()):.0f} | {len(sizes)} packages |")
    print("\n| import | s of processor |\n|---|---|")
    for module in IMPORTED:
        print(f"| `{module}` | {import_s(module):.2f} |")


if __name__ == "__main__":
    main()
