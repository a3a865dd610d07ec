"""Where what is recorded and what is replayed differ, and why, in sentences."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any, Final

from rig import __version__
from rig.channels import shown
from rig.protocol.plan import Plan
from rig.replay.found import Replayed
from rig.replay.recording import Recording
from rig.replay.replaying import recorded_plan
from rig.replay.stretches import intervals
from rig.replay.told import judged_by_samples

TOLD: Final = 1e-4
"""Of a load, which is told in five digits."""
MOST: Final = 8
"""Differences of one sort that are told one by one."""
_JUDGED_BY: Final = ("loading", "baseline", "failure", "limits", "cyclic")
"""Parts of a plan that a verdict may hang on."""
_AS_WRITTEN: Final = (
    ("limits.fixed.", "limits."),
    ("limits.learned.", "limits.cyclic."),
    ("baseline.first", "baseline.from"),
    ("baseline.last", "baseline.to"),
    ("cyclic.run_out", "run_out"),
)
"""Names in a plan, and in the file that people write."""
_COUNTS: Final = frozenset({"from", "to", "confirm", "within", "run_out", "build_up", "persist"})
_FORCES: Final = frozenset({"capacity", "upper", "lower"})
_LENGTHS: Final = frozenset({"stroke_beyond"})


def differences(recording: Recording, plan: Plan, then: Replayed, now: Replayed) -> tuple[str, ...]:
    """Return in which way a replay by `plan` differs from what was recorded; nothing if it agrees.

    What ended a recording and no sample tells is no difference.
    """
    told = [f"{unlike}: this version reads samples otherwise" for unlike in now.unlike]
    causes = _causes(recording, plan, then, now)
    because = "; ".join(causes)
    ends_alike = (then.outcome, then.cycles) == (now.outcome, now.cycles)
    others = _findings(then, now, because)
    if not ends_alike and not _taken_as_told(recording, now):
        told.insert(0, f"{_ended('recorded', then)}, {_ended('replayed', now)}: {because}")
        ends = then, now
        others = _findings(_before_end(then, ends), _before_end(now, ends), because)
    elif ends_alike and then.why != now.why and now.outcome is not None:
        told.insert(0, f"the reason is another: recorded {then.why}; replayed {now.why}: {because}")
    return (*told, *_residuals(then, now, because), *others)


def agreement(recording: Recording, now: Replayed) -> str:
    """Return the line that says that recording and replay agree."""
    if _taken_as_told(recording, now):
        return f"they agree: {now.why}"
    return "recorded and replayed verdicts agree: outcome, cycle and findings"


def _taken_as_told(recording: Recording, now: Replayed) -> bool:
    """Tell whether a recording ended by what no sample tells, or has no end, and so the replay."""
    return now.outcome is None and not (recording.ended and judged_by_samples(recording))


def _ended(word: str, it: Replayed) -> str:
    return f"{word} is {it.outcome or 'no end'} at cycle {it.cycles:,}"


def _residuals(then: Replayed, now: Replayed, because: str) -> Iterator[str]:
    """Say how the static tests after a run-out differ; one that no sample ends is taken as told."""
    past, present = then.residual, now.residual
    if present is None:
        return
    alike = past is not None and past.outcome == present.outcome
    if not alike or _apart(past.load if past else None, present.load):
        told = past.words if past is not None else "residual capacity not known: no end"
        yield f"recorded is {told}, replayed is {present.words}: {because}"


def _apart(then: float | None, now: float | None) -> bool:
    """Tell whether two loads [N] are not the same one, as near as it is told."""
    if then is None or now is None:
        return then is not now
    return not math.isclose(then, now, rel_tol=TOLD)


def _before_end(it: Replayed, ends: tuple[Replayed, Replayed]) -> Replayed:
    """Return a verdict without the findings that are an end, its own or that of the other."""
    kept = (f for f in it.findings if not any(f.text in end.why for end in ends))
    return replace(it, findings=tuple(kept))


def _findings(then: Replayed, now: Replayed, because: str) -> Iterator[str]:
    """Say which findings are in one of the two alone."""
    past = Counter((f.kind, f.cycle, f.text) for f in then.findings)
    present = Counter((f.kind, f.cycle, f.text) for f in now.findings)
    # Where the replay ends earlier the rest of the recording was not judged any more.
    behind = now.cycles if now.outcome is not None else None
    lost = [f for f in past - present if behind is None or f[1] <= behind]
    more = [*(present - past)]
    for word, list_of in (("recorded and not replayed", lost), ("replayed and not recorded", more)):
        for kind, cycle, text in list_of[:MOST]:
            yield f"{word}: {kind} at cycle {cycle:,}, {text}: {because}"
        if len(list_of) > MOST:
            yield f"{word}: {len(list_of) - MOST} more findings"


def _causes(recording: Recording, plan: Plan, then: Replayed, now: Replayed) -> list[str]:
    """Return what may have made the difference, the surest first."""
    if recording.header.imported:
        return ["an imported recording has no verdict of its own"]
    by = recorded_plan(recording)
    if by is None:
        return ["the recording was not judged by a protocol"]
    if changed := changes(by, plan):
        return [f"another protocol: {', '.join(changed)}"]
    causes = []
    if limit := _limit_of_rig(then, by):
        causes.append(
            f"the limit on {limit} is the rig file's, and a replay judges by the protocol"
        )
    if missing := _missing(recording):
        causes.append(missing)
    if not recording.ended:
        causes.append("the record has no end: the test still goes on, or was cut off")
    if then.outcome in ("limit", "fault", "failure", "ultimate") and not _kept_at_end(recording):
        causes.append("samples are not kept there")
    return causes or [
        f"software that judges otherwise: recorded by {recording.header.software}, replayed by "
        f"nightrig {__version__}"
    ]


def _limit_of_rig(then: Replayed, by: Plan) -> str:
    """Return the channel of a limit of the rig file that ended the recording, "" without one."""
    last = next((f for f in reversed(then.findings) if f.kind == "limit"), None)
    if last is None or then.outcome not in ("limit", "failure"):
        return ""
    channel = last.text.partition(" ")[0].rstrip(":")
    own, rig = by.limits.fixed.get(channel), by.rig.limits.get(channel)
    if rig is None or (own is not None and own[0] >= rig[0] and own[1] <= rig[1]):
        return ""
    return channel


def _missing(recording: Recording) -> str:
    """Say that rows are missing before the recorded end, "" where none are."""
    rows = recording.last_rows(1)
    last = int(rows["number"][0]) if len(rows) else 0
    if last >= recording.cycles and recording.count() >= last:
        return ""
    return f"rows are missing: {recording.count():,} of {max(last, recording.cycles):,} are there"


def _kept_at_end(recording: Recording) -> bool:
    """Tell whether samples about the last stop are kept."""
    stops = [e for e in recording.events() if e.kind == "state" and e.text.startswith("stopping")]
    if not stops:
        return True
    frame = round(stops[-1].time * recording.rate)
    return any(first < frame <= last for first, last in intervals(recording))


def changes(by: Plan, plan: Plan) -> list[str]:
    """Return in words what differs between two plans of what a verdict hangs on."""
    then, now = _flat(by), _flat(plan)
    return [
        f"{name} {_word(name, then.get(name))} in the recording, {_word(name, now.get(name))} here"
        for name in dict.fromkeys((*then, *now))
        if then.get(name) != now.get(name)
    ]


def _flat(plan: Plan) -> dict[str, Any]:
    """Return what a verdict hangs on, by the names that it has in a protocol."""
    found: dict[str, Any] = {}
    for part in _JUDGED_BY:
        _collect(part, getattr(plan, part), found)
    for name in list(found):
        written = name
        for ours, theirs in _AS_WRITTEN:
            written = written.replace(ours, theirs)
        found[written] = found.pop(name)
    return found


def _collect(name: str, value: Any, found: dict[str, Any]) -> None:
    if is_dataclass(value):
        for each in fields(value):
            _collect(f"{name}.{each.name}", getattr(value, each.name), found)
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            _collect(f"{name}.{key}", inner, found)
    elif value is not None:
        found[name] = value


def _word(name: str, value: Any) -> str:
    """Return a plan's value as people write it."""
    key = name.rpartition(".")[2]
    if value is None:
        return "not set"
    if isinstance(value, tuple):
        return shown(key, *value)
    if isinstance(value, frozenset):
        return ", ".join(sorted(value)) or "none"
    if key in _FORCES:
        return shown("load", value)
    if key in _LENGTHS:
        return shown("stroke", value)
    if isinstance(value, str) or key in _COUNTS:
        return f"{value:,}" if isinstance(value, int) else str(value)
    return f"{value:g} Hz" if key == "frequency" else f"{100 * value:g} %"
