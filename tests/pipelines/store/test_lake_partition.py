"""Partitions of the lake: their folders, and what a path says of them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.store.lake_partition import MONTH_IN_PATH, LakePartition, bucket_files

partitions = st.builds(
    LakePartition,
    st.sampled_from(["interval", "register", "profile"]),
    st.dates().map(lambda day: f"{day:%Y}".zfill(4) + f"-{day:%m}"),
    st.integers(0, 9999),
)


def test_the_folders_of_a_partition() -> None:
    march = LakePartition("interval", "2025-03", 7)
    assert march.path == Path("interval_read/month=2025-03/bucket=07")
    assert march.of_kind("profile").path == Path("profile/month=2025-03/bucket=07")
    assert (march.path / "a.parquet").match(bucket_files(7))
    assert not (march.path / "a.parquet").match(bucket_files(70))


@given(partitions, st.sampled_from(["", "0f.parquet", "0f/month_stat.parquet"]))
def test_a_path_says_its_partition(partition: LakePartition, below: str) -> None:
    path = Path("/data/profile/work") / partition.path / below
    assert LakePartition.parse(path) == partition
    found = re.search(MONTH_IN_PATH, str(path))
    assert found is not None
    assert found[1] == partition.month


@pytest.mark.parametrize(
    "path", ["lake/month=2025-01/bucket=03", "interval_read/month=2025-01"]
)
def test_a_path_outside_every_partition_is_refused(path: str) -> None:
    with pytest.raises(ValueError, match="not in a partition"):
        LakePartition.parse(Path(path))
