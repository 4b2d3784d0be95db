"""Imports that leave out, or put off, what is not needed."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from pipelines.work.imports import lightly


def said_by(program: str, folder: Path) -> list[str]:
    """What a new process prints that finds its modules in a folder."""
    code = f"import sys; sys.path.insert(0, {str(folder)!r})\n{textwrap.dedent(program)}"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    return done.stdout.split()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "slow").mkdir()
    (tmp_path / "slow/__init__.py").write_text("print('loaded'); value = 7\n")
    (tmp_path / "slow/part.py").write_text("part = 8\n")
    (tmp_path / "offered.py").write_text("value = 9\n")
    return tmp_path


def test_a_module_is_loaded_on_first_use(folder: Path) -> None:
    program = """
    from pipelines.work.imports import lightly
    with lightly(missing=(), later={"slow"}):
        import slow
    print("imported", type(slow).__name__)
    print(slow.value, type(slow).__name__, slow.__spec__.loader is slow.__loader__)
    from slow.part import part
    import importlib
    print(part, importlib.reload(slow).value)
    """
    wanted = ["imported", "_Waiting", "loaded", "7", "module", "True", "loaded", "8", "7"]
    assert said_by(program, folder) == wanted


def test_many_threads_that_use_it_first_find_all_of_it(folder: Path) -> None:
    (folder / "slow/__init__.py").write_text("import time; time.sleep(0.2); value = 7\n")
    program = """
    from concurrent.futures import ThreadPoolExecutor
    from pipelines.work.imports import lightly
    with lightly(missing=(), later={"slow"}):
        import slow
    with ThreadPoolExecutor(8) as hands:
        print(*hands.map(lambda _: slow.value, range(8)))
    """
    assert said_by(program, folder) == ["7"] * 8


def test_a_missing_module_is_missing_here_and_now_only(folder: Path) -> None:
    program = """
    import threading
    from pipelines.work.imports import lightly
    with lightly(missing={"offered"}, later=()):
        try:
            import offered
        except ModuleNotFoundError as error:
            print(error.name)
        def other():
            import offered
            print(offered.value)
        thread = threading.Thread(target=other)
        thread.start(); thread.join()
        import offered
        print(offered.value)
    """
    assert said_by(program, folder) == ["offered", "9", "9"]


def test_nothing_is_left_behind() -> None:
    before = list(sys.meta_path)
    with pytest.raises(ModuleNotFoundError), lightly(missing={"nowhere"}, later=()):
        import nowhere  # noqa: F401
    assert sys.meta_path == before


def test_the_checks_leave_out_what_they_only_offer(tmp_path: Path) -> None:
    program = """
    import gc
    from pipelines.stages.validate.checks import checks
    gx = checks()
    left = {"sqlalchemy", "boto3", "botocore"} & set(sys.modules)
    import scipy.stats
    print(gx.__name__, left or "none", scipy.stats.norm.cdf(0.0), gc.isenabled())
    import sqlalchemy
    print(sqlalchemy.text("1"))
    """
    assert said_by(program, tmp_path) == ["great_expectations", "none", "0.5", "True", "1"]


def test_a_version_that_needs_them_all_is_imported_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "great_expectations").mkdir()
    (tmp_path / "great_expectations/__init__.py").write_text(
        "import great_expectations.needs\nvalue = 1\n"
    )
    (tmp_path / "great_expectations/needs.py").write_text("from sqlalchemy import text\n")
    (tmp_path / "sqlalchemy.py").write_text("text = str\n")
    program = """
    from pipelines.stages.validate.checks import checks
    print(checks().value)
    """
    assert said_by(program, tmp_path) == ["1"]


def test_a_hollow_module_has_every_name_and_is_not_read(folder: Path) -> None:
    (folder / "slow/heavy_one.py").write_text("print('read')\n")
    (folder / "slow/heavy_two.py").write_text("print('read')\n")
    program = """
    from pipelines.work.imports import lightly
    with lightly(missing=(), later=(), hollow=r"slow[.]heavy_\\w+"):
        from slow.heavy_one import Thing, other
        class Own(Thing):
            pass
        from slow import part
    print(Thing.__name__, Own.__mro__[1] is Thing, other is not Thing, part.part)
    import slow.heavy_one, slow.heavy_two
    print(slow.heavy_one.Thing is Thing)
    """
    wanted = ["loaded", "Thing", "True", "True", "8", "read", "True"]
    assert said_by(program, folder) == wanted


def test_the_checks_judge_without_the_parts_that_are_hollow(tmp_path: Path) -> None:
    program = """
    import pandas as pd
    from pipelines.stages.validate.validate import Expectation, judge
    wanted = Expectation(metric="share", max=0.5, meaning="share refused")
    found = judge("suite", pd.DataFrame({"batch": ["a", "b"], "share": [0.1, 0.9]}), [wanted])
    hollow = [m for m in sys.modules.values() if type(m).__name__ == "_Hollow"]
    print(len(hollow) > 50, *(o.is_met for o in found))
    """
    assert said_by(program, tmp_path) == ["True", "True", "False"]


def test_where_a_part_that_was_left_out_is_needed_all_is_imported(tmp_path: Path) -> None:
    program = """
    from pipelines.stages.validate import checks
    checks._NOT_NEEDED |= {"marshmallow"}  # the library stops half way through
    gx = checks.checks()
    from great_expectations.datasource.fluent import SparkDatasource
    print(gx.__name__, len(SparkDatasource.__fields__) > 3)
    """
    assert said_by(program, tmp_path) == ["great_expectations", "True"]
