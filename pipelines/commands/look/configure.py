"""Unknown files together: which are reads, which is the meter list, and a `sweep.yaml`."""

from __future__ import annotations

import fnmatch
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import polars as pl
import yaml

from pipelines.commands.look.meter_file import MeterFile, meter_file
from pipelines.commands.look.propose import Proposal, propose_mapping, sample_of, span
from pipelines.configuration.load_settings import SweepSettings
from pipelines.configuration.named_things import known_zone
from pipelines.store.file_stamp import is_plain_file
from rightsize.errors import ConfigError

_FEW: Final = 0.5  # of another file's rows: a file of corrections is smaller than what it mends
_MOSTLY: Final = 0.5  # of a file's rows that tell what another tells as well
_SHOWN: Final = 5
_ZONES: Final = "America/New_York, America/Chicago, America/Denver, America/Los_Angeles"
TARIFF: Final = """\
# CHOOSE: these rates are an example and not yours. Volumes, peaks and overload rest on none of
# them; every amount of money does. The handbook's page on configuration names all keys.
classes:
  default:
    tiers: [{usd_per_kgal: 5}]
"""


@dataclass(frozen=True)
class _Group:
    """Files that one export reads."""

    paths: tuple[Path, ...]
    proposals: tuple[Proposal, ...]
    supersedes: str | None = None

    @property
    def reads(self) -> pl.DataFrame:
        return pl.concat(p.reads for p in self.proposals)

    @property
    def export(self) -> dict[str, Any]:
        return self.proposals[0].export


@dataclass(frozen=True)
class Configuration:
    """A whole `sweep.yaml` and what stands beside it."""

    text: str
    needs_tariff: bool


def propose_configuration(
    paths: list[Path], folder: Path, *, timezone: str | None = None
) -> Configuration:
    """Look at files and propose the configuration that reads them, to lie in `folder`.

    Raises
    ------
    ConfigError
        If no file holds reads: the message says of each why.
    """
    listed: list[tuple[Path, MeterFile]] = []
    found: list[tuple[Path, Proposal]] = []
    left: list[str] = []
    for path in paths:
        try:
            what = _look(path)
        except ConfigError as error:
            left.append(str(error))
            continue
        if isinstance(what, MeterFile):
            listed.append((path, what))
        else:
            found.append((path, what))
    if not found:
        told = [f"{p}: a meter list" for p, _ in listed]
        raise ConfigError("\n".join([*left, *told, "no file with reads among them"]))
    left += [f"{p}: another meter list; one is read" for p, _ in listed[1:]]
    groups = _grouped(found)
    zone = known_zone(timezone) if timezone else None
    has_tariff = (folder / "tariff.yaml").exists()
    lines = [
        "# Written by `rightsize look`; what only a person can say is marked CHOOSE.",
        f"utility: {_scalar(folder.resolve().name.replace('_', ' ').title() or 'Utility')}",
        *_zone_lines(groups, zone),
        "exports:",
        *_export_lines(groups, folder),
        *_meter_lines(listed[0] if listed else None, groups, folder),
        *_tariff_lines(has_tariff=has_tariff),
        *(f"# left out: {line}" for text in left for line in text.splitlines()),
    ]
    text = "\n".join(lines) + "\n"
    SweepSettings.model_validate(yaml.safe_load(text))
    return Configuration(text, not has_tariff)


def _look(path: Path) -> Proposal | MeterFile:
    try:
        if is_plain_file(path) and (table := sample_of(path)) is not None:
            known = meter_file(*table)
            if known is not None:
                return known
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from None
    return propose_mapping(path)


def _grouped(found: list[tuple[Path, Proposal]]) -> list[_Group]:
    """Files of one form as one export each; a file of corrections is an export of its own."""
    groups: list[_Group] = []
    for path, proposal in sorted(found, key=lambda item: (-item[1].reads.height, item[0])):
        mended = next((g for g in groups if _corrects(proposal, g)), None)
        if mended is not None:
            groups.append(_Group((path,), (proposal,), str(mended.export["name"])))
            continue
        form = _form(proposal)
        same = next(
            (k for k, g in enumerate(groups) if not g.supersedes
             and _form(g.proposals[0]) == form and g.paths[0].parent == path.parent), None
        )  # fmt: skip
        if same is None:
            groups.append(_Group((path,), (proposal,)))
        else:
            g = groups[same]
            groups[same] = replace(
                g, paths=(*g.paths, path), proposals=(*g.proposals, proposal)
            )
    return _named(groups)


def _form(proposal: Proposal) -> str:
    said = {k: v for k, v in proposal.export.items() if k not in ("name", "path")}
    return yaml.safe_dump(said)


def _corrects(proposal: Proposal, group: _Group) -> bool:
    """Whether most reads of a file stand in a larger one as well."""
    reads = proposal.reads
    if reads.is_empty() or group.export["layout"] != proposal.export["layout"]:
        return False
    if reads.height > _FEW * group.reads.height:
        return False
    again = reads.join(group.reads, on=["meter_id", "at"], how="semi").height
    return again >= _MOSTLY * reads.height


def _named(groups: list[_Group]) -> list[_Group]:
    """Groups whose exports have different names."""
    taken: dict[str, int] = {}
    named = []
    for group in groups:
        name = str(group.export["name"])
        taken[name] = taken.get(name, 0) + 1
        if taken[name] > 1:
            export = {**group.export, "name": f"{name}-{taken[name]}"}
            first = replace(group.proposals[0], export=export)
            group = replace(group, proposals=(first, *group.proposals[1:]))
        named.append(group)
    return named


def _zone_lines(groups: list[_Group], zone: str | None) -> list[str]:
    seen = sorted({p.clock for g in groups for p in g.proposals if p.clock})
    if zone is not None:
        return [*(f"# {told}" for told in seen), f"timezone: {zone}"]
    lines = [f"# CHOOSE the utility's time zone, such as {_ZONES}"]
    return [*lines, *(f"# {told}" for told in seen), "timezone: UTC"]


def _export_lines(groups: list[_Group], folder: Path) -> list[str]:
    lines = []
    everything = [path for g in groups for path in g.paths]
    for group in groups:
        first = group.proposals[0]
        for path, proposal in list(zip(group.paths, group.proposals, strict=True))[:_SHOWN]:
            told = "; ".join(t for t in (proposal.told, span(proposal.reads)) if t)
            lines.append(f"  # {_relative(path, folder)}: {told}")
        if len(group.paths) > _SHOWN:
            lines.append(f"  # and {len(group.paths) - _SHOWN} more files like these")
        notes = dict.fromkeys(n for p in group.proposals for n in p.notes)
        lines += [f"  # {note}" for note in notes]
        export = {**first.export, "path": _path_of(group, everything, folder)}
        if group.supersedes:
            lines.append(
                f"  # it tells reads of {group.supersedes} again: taken for corrections of them"
            )
            export["supersedes"] = [group.supersedes]
        dumped = yaml.safe_dump([export], sort_keys=False, allow_unicode=True, width=96)
        lines += [f"  {line}" for line in dumped.rstrip().split("\n")]
    return lines


def _path_of(group: _Group, everything: list[Path], folder: Path) -> str:
    """One pattern for the files of an export, which no other file that was seen fits."""
    names = [path.name for path in group.paths]
    if len(names) == 1:
        return _relative(group.paths[0], folder)
    start = _shared_start(names)
    end = _shared_start([name[len(start) :][::-1] for name in names])[::-1]
    open_start = start.rstrip("0123456789")  # so that months to come fit as well
    parent = group.paths[0].parent
    others = [p.name for p in everything if p not in group.paths and p.parent == parent]
    for pattern in (f"{open_start}*{end}", f"{start}*{end}"):
        if not fnmatch.filter(others, pattern):
            return _relative(parent / pattern, folder)
    near = fnmatch.filter(others, pattern)[0]
    raise ConfigError(
        f"{parent}: no pattern tells {names[0]} and {names[1]} from {near}; "
        "put them into folders of their own"
    )


def _shared_start(names: list[str]) -> str:
    first, last = min(names), max(names)
    alike = (k for k, (a, b) in enumerate(zip(first, last, strict=False)) if a != b)
    return first[: next(alike, min(len(first), len(last)))]


def _meter_lines(
    listed: tuple[Path, MeterFile] | None, groups: list[_Group], folder: Path
) -> list[str]:
    if listed is None:
        return ["# CHOOSE: no meter list was among the files; name yours", "meters: meters.csv"]
    path, known = listed
    lines = [f"meters: {_scalar(_relative(path, folder))}"]
    lines += [f"# {told}" for told in _not_shared(known, groups)]
    lines += [f"# {note}" for note in known.notes]
    if known.keys:
        lines.append(_dumped({"meter_list": known.keys}))
    lines += [f"# {note}" for note in known.class_notes]
    if known.class_codes:
        lines.append(_dumped({"class_codes": known.class_codes}))
    return lines


def _not_shared(known: MeterFile, groups: list[_Group]) -> list[str]:
    """Meters of the reads that are not listed, and listed ones without reads."""
    readable = [g.reads for g in groups if not g.reads.is_empty()]
    if not readable:
        return []
    read = set(pl.concat(r.select("meter_id") for r in readable)["meter_id"].unique())
    told = []
    for few, words in (
        (sorted(read - known.meters), "meters of the reads are not listed"),
        (sorted(known.meters - read), "listed meters have no read in what was looked at"),
    ):
        if few:
            told.append(f"{len(few):,} {words}: {', '.join(few[:_SHOWN])}")
    return told


def _tariff_lines(*, has_tariff: bool) -> list[str]:
    if has_tariff:
        return ["tariff: tariff.yaml"]
    return [
        "# CHOOSE: put your rates into it; the ones there are an example",
        "tariff: tariff.yaml",
    ]


def _relative(path: Path, folder: Path) -> str:
    """A path from the configuration's folder, where it lies below; else whole."""
    whole = Path(os.path.abspath(path))
    try:
        return str(whole.relative_to(folder.resolve()))
    except ValueError:
        return str(whole)


def _scalar(text: str) -> str:
    return yaml.safe_dump(text, allow_unicode=True).removesuffix("\n...\n").strip()


def _dumped(content: dict[str, Any]) -> str:
    return yaml.safe_dump(content, sort_keys=False, allow_unicode=True, width=96).rstrip()


def write_configuration(found: Configuration, target: Path) -> list[Path]:
    """Write the configuration, and an example tariff where there is none; the files written.

    Raises
    ------
    ConfigError
        If the configuration is there already.
    """
    if target.exists():
        raise ConfigError(f"{target}: is there already; name another file with --to")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(found.text, encoding="utf-8")
    if not found.needs_tariff:
        return [target]
    tariff = target.parent / "tariff.yaml"
    tariff.write_text(TARIFF, encoding="utf-8")
    return [target, tariff]
