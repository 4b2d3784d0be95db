"""The library that judges metrics, imported without what it only offers to work with.

Of 1.5 s of processor time, two thirds are for databases, files and cloud stores that no check
here reads, and for charts and distributions of expectations that no suite here has.
"""

from __future__ import annotations

import os
import sys
import threading
from types import ModuleType
from typing import Final

from pipelines.work.imports import lightly, uncollected

_NAME: Final = "great_expectations"
_NOT_NEEDED: Final = frozenset(
    {"azure", "boto3", "botocore", "google", "pyspark", "snowflake", "sqlalchemy", "trino"}
)
"""Packages that it does without where they are not installed."""
_LATER: Final = frozenset({"altair", "posthog", "scipy.stats", "tqdm"})
_NEVER: Final = r"""(?x) great_expectations[.] (
    datasource[.]fluent[.] (
        fabric | spark_\w+ | pandas_(?!datasource$)\w+_datasource
        | (?!pandas_|spark_|invalid_)\w+_datasource )
    | expectations[.]core[.]expect_(?!column_values_to_be_between$)\w+ )"""
"""Sources of data but the frames of pandas, and expectations but `between`: hundreds of classes
whose every field is worked out when they are made."""
_AT_WORK: Final = threading.Lock()


def checks() -> ModuleType:
    """Great Expectations."""
    with _AT_WORK:
        if _NAME not in sys.modules:
            os.environ["GX_ANALYTICS_ENABLED"] = "false"  # it reports home when imported
            with uncollected():
                _import()
    import great_expectations

    return great_expectations


def load_ahead() -> None:
    """Begin to import it, while the caller does other work."""
    threading.Thread(target=checks, name="checks", daemon=True).start()


def _import() -> None:
    try:
        with lightly(missing=_NOT_NEEDED, later=_LATER, hollow=_NEVER):
            import great_expectations
    except Exception:  # a version that needs them all
        _forget()
        import great_expectations  # noqa: F401


def _forget() -> None:
    """As if it had never been imported: its modules, and its validators' names in pydantic."""
    for name in [n for n in sys.modules if n.partition(".")[0] == _NAME]:
        del sys.modules[name]
    known: set[str] = getattr(sys.modules.get("pydantic.v1.class_validators"), "_FUNCS", set())
    known -= {name for name in known if name.partition(".")[0] == _NAME}
