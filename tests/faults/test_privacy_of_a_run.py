"""A run asks no network for anything, and its logs name no account, meter or customer.

The commands run in a network namespace of their own, without any interface. What the kernel
counts there (connections opened, datagrams sent, packets without a route) tells of every try,
by whatever library, in whatever language it is written.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from tests.pipelines.small_utility import quick_utility

COUNTED = ("Tcp ActiveOpens", "Udp OutDatagrams", "Ip OutRequests", "Ip OutNoRoutes")
COUNTED_6 = ("Ip6OutRequests", "Ip6OutNoRoutes", "Udp6OutDatagrams")
PROGRAM = "from pipelines.cli import main; main()"
ALONE = ["unshare", "--net", "--map-root-user"]
CONNECT = 'import socket; socket.create_connection(("192.0.2.1", 80))'  # RFC 5737: nobody's
LOOK_UP = 'import socket; socket.getaddrinfo("example.org", 80)'


def may_be_alone() -> bool:
    if not shutil.which("unshare"):
        return False
    return subprocess.run([*ALONE, "true"], capture_output=True, check=False).returncode == 0


pytestmark = pytest.mark.skipif(
    not may_be_alone(), reason="this user may make no network namespace (unshare --net)"
)


@dataclass(frozen=True)
class Ran:
    """What commands said, and what the kernel counted of packets meanwhile."""

    said: str
    counted: dict[str, int]


def alone(script: str) -> Ran:
    """Run a shell script where there is no network, and count what it tried."""
    whole = f"{script}\necho ---counted\ncat /proc/net/snmp /proc/net/snmp6\n"
    ended = subprocess.run(
        [*ALONE, "sh", "-c", whole],
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )
    said, _, counted = ended.stdout.partition("---counted\n")
    return Ran(said + ended.stderr, counts(counted))


def counts(table: str) -> dict[str, int]:
    """`Tcp ActiveOpens` and such, of the kernel's tables of the namespace."""
    found: dict[str, int] = {}
    pairs = re.findall(r"(?m)^(\w+): (\D.*)\n\1: (.*)$", table)
    for name, heads, values in pairs:
        found |= {
            f"{name} {h}": int(v) for h, v in zip(heads.split(), values.split(), strict=True)
        }
    found |= {name: int(value) for name, value in re.findall(r"(?m)^(\w+6\w+)\s+(\d+)$", table)}
    return {name: found[name] for name in (*COUNTED, *COUNTED_6) if name in found}


def rightsize(*words: str | Path) -> str:
    quoted = " ".join(f"'{w}'" for w in words)
    return f"'{sys.executable}' -c '{PROGRAM}' {quoted} || echo ended with $?"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Ran]:
    """A demo, its sweep and every command that reads results."""
    folder = tmp_path_factory.mktemp("alone") / "demo"
    config = folder / "sweep.yaml"
    account = "select account_id from latest_recommendation"
    script = "\n".join(
        (
            f"cd '{Path(__file__).resolve().parents[2]}'",
            rightsize("demo", folder, "--accounts", "24", "--months", "2"),
            rightsize("sweep", config, "--log-json"),
            rightsize("query", config, account, "-f", "json", "--to", folder / "accounts.json"),
            rightsize("health", config),
            rightsize("verify", config),
            rightsize("program", config, "--budget", "50000"),
            rightsize("rows", config, "--limit", "5"),
            rightsize("evidence", config, "A-10001", "--to", folder / "pages"),
            rightsize("campaign", config, "--loggers", "3", "--weeks", "4", "--budget", "9000"),
            rightsize("work-orders", config),
            rightsize("test-program", config, "--to", folder / "tests"),
            rightsize("demo", folder, "--logs"),
            rightsize("sweep", config, "--log-json"),
            f"'{sys.executable}' -c 'import pipelines.service.flows, pipelines.work.cluster'",
        )
    )
    return folder, alone(script)


@pytest.mark.parametrize("program", [CONNECT, LOOK_UP])
def test_the_kernel_counts_a_try(program):
    """Otherwise the next test could not fail."""
    counted = alone(f"'{sys.executable}' -c '{program}'").counted
    assert sum(counted.values()) >= 1


@pytest.mark.heavy_ci
@pytest.mark.heavy
def test_demo_sweep_pages_and_query_ask_no_network(run):
    folder, ran = run
    assert (folder / "workspace" / "published" / "pages" / "index.html").is_file(), ran.said
    assert list((folder / "pages").glob("site-*.html")), ran.said
    assert (folder / "workspace" / "campaign" / "work_orders" / "campaign.html").is_file()
    assert (folder / "tests" / "lots.csv").is_file(), ran.said
    assert json.loads((folder / "accounts.json").read_text()), ran.said
    assert "Traceback" not in ran.said
    assert ran.counted, "the kernel's tables could not be read"
    assert not any(ran.counted.values()), ran.counted


def test_no_log_names_an_account_a_meter_or_a_customer(run):
    folder, ran = run
    logs = list((folder / "workspace" / "logs").glob("*.jsonl"))
    assert logs
    written = "\n".join(path.read_text(encoding="utf-8") for path in logs)
    events = [line for line in ran.said.splitlines() if line.startswith('{"at"')]
    assert len(events) >= len(written.splitlines()) > 10
    listed = pl.read_csv(folder / "meters.csv", infer_schema_length=None)
    names = {
        str(value)
        for column in ("account_id", "meter_id", "customer_name", "service_address")
        for value in listed[column].drop_nulls()
    }
    assert len(names) > 60
    for text in (written, "\n".join(events)):
        assert not [name for name in names if name in text]


SERVE = """
ip link set lo up
{program} schedule {config} --nightly '* * * * *' --workers 1 2>{folder}/service.log >&2 &
service=$!
for second in $(seq 400); do
    sleep 1
    test -f {folder}/workspace/published/results.duckdb && break
done
sleep 5
echo ---listens
awk '$4 == "0A" {{ print $2 }}' /proc/net/tcp /proc/net/tcp6
kill -TERM $service
wait $service
"""


@pytest.mark.heavy
@pytest.mark.skipif(not shutil.which("ip"), reason="needs ip (iproute2)")
def test_the_service_listens_on_the_loopback_only_and_asks_nobody_else(tmp_path):
    """A night of the service with its own Prefect server, where only the loopback is up."""
    config = quick_utility(tmp_path / "utility")
    program = f"'{sys.executable}' -c '{PROGRAM}'"
    script = SERVE.format(program=program, config=config, folder=config.parent)
    ran = alone(f"cd '{Path(__file__).resolve().parents[2]}'\n{script}")
    log = (config.parent / "service.log").read_text(encoding="utf-8", errors="replace")
    assert (config.parent / "workspace" / "published" / "results.duckdb").is_file(), log
    listens = ran.said.partition("---listens\n")[2].split()
    assert listens, ran.said
    here = {"0100007F", "00000000000000000000000001000000"}  # 127.0.0.1 and ::1
    assert {address.split(":")[0] for address in listens} <= here
    assert ran.counted["Tcp ActiveOpens"] > 0  # its own server was asked
    assert ran.counted["Ip OutNoRoutes"] == 0, log
    assert ran.counted.get("Ip6OutNoRoutes", 0) == 0, log
