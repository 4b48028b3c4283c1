"""
String faults: what the rounds found, dated by steps in the log, and steps that no round has seen yet.

A round says which string is weak, of what kind and by how much; the log says since when. What a step that no round explains may
be is weighed in `unnamed.py`: where it is most likely no string's, an input does not track, and the same column goes to
`inverter_efficiency`. So does a step that AC over DC makes too: no string takes that.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.clamped_strings import Missing
from yieldwatch.gap.conversion import always_below, fell_at
from yieldwatch.gap.mechanisms.fault import ALIKE, OF_CONVERSION, WEAK, Fault, ReadSince
from yieldwatch.gap.mechanisms.fault_spans import Span, going_on, matching_span, paired_spans
from yieldwatch.gap.mechanisms.onsets import BEFORE
from yieldwatch.gap.mechanisms.unnamed import part_of, read_since, strings_and_inputs
from yieldwatch.gap.steps import Step, lost_lately
from yieldwatch.gap.weak_parts import MANY, WeakPart
from yieldwatch.portfolio.model import Site

#: Distance from a whole number of strings within which a step is one: make, age and dirt part strings by a few per cent. Common
#: practice, no source. [strings]
_NEAR = 0.15
#: Share of a weak part's deficit that other faults of it must leave for it to be one of its own. Common practice, no source.
_STILL_WEAK = 0.25
#: Share of such a deficit that faults of unknown day and doubtful size must reach, by what they may take at most, to explain it.
#: Common practice, no source.
_EXPLAINS = 0.5
#: How much likelier a fault comes within a day than what lies on the glass, which builds up. Common practice, no source.
_AT_ONCE = 5.0
#: Chance from which a part that nobody has named is told as an input's. Common practice, no source.
_INPUTS = 0.85
#: Relative standard uncertainty of a step that is near whole strings: a dead string takes its share, day after day. Common
#: practice, no source.
_WHOLE_U = 0.08
#: Share of a step that AC over DC must make for it to be the inverter's, and the smallest such step: below, its curve tells.
#: Common practice, no source.
_MOST_OF_STEP, _LEAST_CONVERSION = 0.5, 0.012
#: Days of AC over DC, which needs no light to compare, that tell that it fell by so many times its scatter. Common practice, no
#: source.
_TELLS_AT_ONCE = ((2, 6.0),)
#: Relative standard uncertainty of the share of a string that a clamp missed. Common practice, no source.
_CLAMPED_DOUBT = 0.1


def find_faults(
    blocks: Blocks,
    site: Site,
    findings: pd.DataFrame,
    rounds: pd.DataFrame,
    steps: list[Step] | None,
    cleanings: list[int],
    weak: list[WeakPart],
    conversion: np.ndarray | None = None,
) -> list[Fault]:
    """
    Join findings and steps into faults.

    Parameters
    ----------
    findings : DataFrame
        One row a string: string_id, finding, confidence, share_lost, share_lost_sd, on_glass, first_seen_bad, last_seen_good,
        last_round.
    rounds : DataFrame
        One row a trace: time, string_id, inverter_id, grade.
    steps : list of Step or None
        Of all inverters; None where no log could show one.
    cleanings : list of int
        Local days on which modules were cleaned.
    weak : list of WeakPart
        Parts behind their like all the time, beside what `steps` took; the finding of a round goes before.
    conversion : ndarray, shape (n_inverters, n_days), optional
        From `conversion.daily_above_curve`.
    """
    n_days = len(blocks.dates)
    steps_seen = steps is not None
    spans = paired_spans(steps or [], n_days)
    used, faults = _conversion_fallen(conversion, steps or [], spans, n_days)
    share_of, row = _string_shares(site, blocks)
    bad = findings[findings["finding"].isin(FAULT_FINDINGS)] if len(findings) else findings
    bad = bad.assign(size=[share_of[s] * lost for s, lost in zip(bad["string_id"], bad["share_lost"], strict=True)])
    bad = bad[bad["size"] > 0.0]  # a string with more modules than planned loses nothing
    undated = dict.fromkeys(row.values(), 0.0)  # what findings of each inverter take that no step has begun
    for found in bad.itertuples():
        undated[row[found.string_id]] += _as_log(float(found.size))
    for found in bad.sort_values("size", ascending=False).itertuples():
        k = row[found.string_id]
        size = _as_log(float(found.size))
        doubt = max(share_of[found.string_id] * float(found.share_lost_sd), 0.15 * size)
        earliest = blocks.day_of(found.last_seen_good) if pd.notna(found.last_seen_good) else -1
        latest = blocks.day_of(found.first_seen_bad)
        match = matching_span(spans, used, k, size, earliest, latest, undated[k] - size, found.finding == "shunt")
        if match is not None:
            undated[k] -= size
            spans = going_on(spans, used, match, _last_traced(blocks, found.last_round, site))
            used.add(match)
            start, dated = spans[match].start, True
            # The log weighs the loss better than the round's shrunk estimate: let it.
            doubt = max(doubt, 0.5 * abs(spans[match].size - size), 0.3 * size)
        else:
            start, dated = (max(earliest, 0) + latest) // 2 if earliest >= 0 else -1, False
        if found.finding == "open":
            # A dead string takes its own share, neither more nor less.
            doubt = 0.03 * size
        onset: tuple[tuple[int, float], ...] = ()
        if not dated and earliest >= 0:
            onset = ((earliest, 0.0), (latest, 1.0))
        elif not dated and not steps_seen and latest > 0 and found.finding != "wrong_count":
            onset = ((-1, BEFORE), (latest, 1.0))
        on_glass = float(found.on_glass)
        if dated:
            on_glass /= on_glass + _AT_ONCE * (1.0 - on_glass)
        one = (found.string_id,)
        series = _in_series(found.p_series_resistance, found.p_current_low, on_glass) if found.finding in ALIKE else None
        faults.append(
            Fault("string_fault", k, one, found.finding, start, n_days, size, doubt, dated, onset, on_glass, in_series=series)
        )
    traced = set(findings.loc[findings["finding"] != "not_tested", "string_id"]) if len(findings) else set()
    weak = [p for p in weak if not (_of_few(p, blocks) and set(p.strings) <= traced)]
    weak = [p for p in weak if conversion is None or always_below(conversion, p.inverter) < _MOST_OF_STEP * p.deficit * p.share]
    # Parts are weak beside what steps took, so that the faults which steps date explain nothing of it.
    faults += _weak_all_the_time(blocks, findings, rounds, weak, [f for f in faults if not f.dated])
    for number, span in enumerate(spans):
        if (
            number not in used
            and span.sure
            and span.size > _least_unseen(site, blocks, span.inverter)
            and not _washed_off(span, blocks, cleanings)
        ):
            left = _left_before(span, faults)
            faults.append(_fault_from_log(span, blocks, findings, rounds, left))
    return _of_what_was_left(faults)


def _in_series(resistance: float, weak: float, on_glass: float) -> float:
    """Chance of resistance in series, beside weak modules and what lies on the glass: the key points hardly tell them apart."""
    return resistance / max(resistance + weak, 1e-12) * (1.0 - on_glass)


def faults_at_clamps(blocks: Blocks, missing: list[Missing], found: list[Fault]) -> list[Fault]:
    """Strings that a clamp visit missed, beside the faults `found`, as faults that are there with the chance of each."""
    out = []
    for part in missing:
        k = blocks.model.inverter_ids.index(part.inverter_id)
        whole = sum(s.p_mp_w for s in blocks.model.site.strings if s.inverter_id == part.inverter_id)
        each = sum(s.p_mp_w for s in part.strings) / whole / len(part.strings)
        # Losses multiply, dead strings add: those that traces found dead are gone before.
        each /= max(1.0 - sum(-np.expm1(-f.share) for f in found if f.inverter == k and f.strings and f.kind == "open"), each)
        size = _as_log(min(part.dead * each, 0.98))
        seen = blocks.day_of(part.seen)
        known = pd.notna(part.last_good)
        first = (max(blocks.day_of(part.last_good), -1), 0.0) if known else (-1, BEFORE * part.chance)
        onset = (first, (max(seen, first[0] + 1), part.chance))
        start = (max(first[0], 0) + seen) // 2
        doubt = float(np.hypot(_CLAMPED_DOUBT * size, part.dead_doubt * each / max(1.0 - part.dead * each, 0.02)))
        out.append(Fault("string_fault", k, (), "open", start, len(blocks.dates), size, doubt, False, onset, mppt=part.mppt))
    return out


def with_inputs(blocks: Blocks, faults: list[Fault], missing: list[Missing]) -> list[Fault]:
    """The faults that the log alone saw, with the input that a clamp has since found short of strings."""
    inputs = {blocks.model.inverter_ids.index(m.inverter_id): m for m in missing if m.mppt is not None and m.chance > 0.5}
    return [
        replace(f, mppt=inputs[f.inverter].mppt)
        if not f.strings and f.inverter in inputs and f.start < blocks.day_of(inputs[f.inverter].seen) <= f.end
        else f
        for f in faults
    ]


def _of_few(part: WeakPart, blocks: Blocks) -> bool:
    """Whether an inverter is weak against one or two others alone: then sound traces of all its strings go before."""
    return part.mppt is None and len(blocks.model.inverter_ids) < MANY


def _of_what_was_left(faults: list[Fault]) -> list[Fault]:
    """
    The faults that rounds found as shares of what the earlier ones of their inverter left.

    Losses multiply, dead strings add: of four strings the second to die takes a third of what is left. A step in the log is
    such a share by itself.
    """
    out = list(faults)
    for n, fault in enumerate(faults):
        if not fault.strings:
            continue
        first = (fault.start, n)
        gone = sum(
            -np.expm1(-other.share)
            for m, other in enumerate(faults)
            if other.inverter == fault.inverter and other.kind != OF_CONVERSION
            and (other.start, m) < first and other.end > fault.start
        )
        lost = -np.expm1(-fault.share) / max(1.0 - gone, 0.02)
        size = _as_log(min(lost, 0.98))
        out[n] = replace(fault, share=size, share_sd=fault.share_sd * size / fault.share)
    return out


def _last_traced(blocks: Blocks, last_round: object, site: Site) -> int:
    """Local day of a string's last trace, -1 where it has none."""
    if pd.isna(last_round):
        return -1
    return blocks.day_of(pd.Timestamp(str(last_round)).tz_localize(site.tz) + pd.Timedelta(hours=12))


def _of_conversion(span: Span, conversion: np.ndarray, n_days: int) -> bool:
    """Whether AC over DC fell with a step, or came back with its end, by most of it."""
    daily = conversion[span.inverter]
    fell = [fell_at(daily, span.start)] if span.start > 0 else []
    back = [-fell_at(daily, span.end)] if span.end < n_days else []
    known = [change for change in (*fell, *back) if np.isfinite(change)]
    return bool(known) and float(np.mean(known)) > _MOST_OF_STEP * span.size


def _conversion_fallen(
    conversion: np.ndarray | None, steps: list[Step], spans: list[Span], n_days: int
) -> tuple[set[int], list[Fault]]:
    """
    The spans that AC over DC makes too, by their places, and the faults that they are.

    To these come falls of AC over DC in the last days, too late for a step of the output: it needs no light to compare.
    """
    if conversion is None:
        return set(), []
    used = {n for n, span in enumerate(spans) if _of_conversion(span, conversion, n_days)}
    fallen = [spans[n] for n in sorted(used) if spans[n].size > _LEAST_CONVERSION]
    for k, daily in enumerate(conversion):
        own = [step for step in steps if step.inverter == k]
        fallen += [Span(k, step.day, n_days, step.size, step.noise, True)
                   for step in lost_lately(daily, k, _LEAST_CONVERSION, own, _TELLS_AT_ONCE)]
    return used, [_fault_of_conversion(span) for span in fallen]


def _fault_of_conversion(span: Span) -> Fault:
    doubt = max(0.1 * span.size, 3.0 * span.noise)
    return Fault("inverter_efficiency", span.inverter, (), OF_CONVERSION, span.start, span.end, span.size, doubt, True)


def _least_unseen(site: Site, blocks: Blocks, inverter: int) -> float:
    """
    Smallest loss that the log alone may call a fault: three tenths of a string, and not under 1.2 %.

    Below that, uneven dirt and the log's own drift make steps too.
    """
    strings = sum(s.inverter_id == blocks.model.inverter_ids[inverter] for s in site.strings)
    return max(0.012, 0.3 / max(strings, 1))


def _washed_off(span: Span, blocks: Blocks, cleanings: list[int]) -> bool:
    """A loss that begins or ends with a cleaning, or ends with heavy rain, is uneven dirt."""
    rainy = np.flatnonzero(blocks.washing > 5.0)
    near_end = [*cleanings, *rainy.tolist()] if span.size < 0.05 else cleanings
    return any(abs(span.end - day) <= 2 for day in near_end) or any(abs(span.start - day) <= 2 for day in cleanings)


def _left_before(span: Span, faults: list[Fault]) -> float:
    """Share of its inverter's strings that earlier faults left: found ones are shares of the whole, steps of what was there."""
    own = (f for f in faults if f.inverter == span.inverter and f.kind != OF_CONVERSION)
    earlier = [f for f in own if f.start < span.start < f.end]
    found = sum(-np.expm1(-f.share) for f in earlier if f.strings)
    stepped = sum(f.share for f in earlier if not f.strings)
    return float(max(1.0 - found, 0.02) * np.exp(-stepped))


def _fault_from_log(span: Span, blocks: Blocks, findings: pd.DataFrame, rounds: pd.DataFrame, left: float) -> Fault:
    """A step that no finding explains; `left` is the share of the inverter's strings that was there before."""
    whole = len(strings_and_inputs(blocks.model.site, blocks.model.inverter_ids[span.inverter])[0])
    count = -np.expm1(-span.size) * left * whole
    near = abs(count - max(round(count), 1)) <= _NEAR + 3.0 * span.noise * whole
    doubt = max((_WHOLE_U if near and span.sure else 0.3) * span.size, 3.0 * span.noise)
    step = Fault("string_fault", span.inverter, (), "unseen", span.start, span.end, span.size, doubt, True)
    return _weighed(step, blocks, findings, rounds, span.noise, left)


def _weighed(
    fault: Fault, blocks: Blocks, findings: pd.DataFrame, rounds: pd.DataFrame, doubt: float, left: float = 1.0
) -> Fault:
    """A fault that nobody has named, with the chance that it is an input's; `doubt` is what the log leaves of its size."""
    read = _read(blocks, findings, rounds, fault)
    strings, inputs = strings_and_inputs(blocks.model.site, blocks.model.inverter_ids[fault.inverter])
    of_input = part_of(-np.expm1(-fault.share), doubt, left, len(strings), inputs, read, fault.start >= 0).input_rather
    if of_input >= _INPUTS:
        return replace(fault, cause="inverter_efficiency", kind="input not tracking", read=read)
    return replace(fault, of_input=of_input, read=read)


def _read(blocks: Blocks, findings: pd.DataFrame, rounds: pd.DataFrame, fault: Fault) -> ReadSince:
    strings, _ = strings_and_inputs(blocks.model.site, blocks.model.inverter_ids[fault.inverter])
    return read_since(blocks, findings, rounds, strings, fault.start, fault.end)


def _weak_all_the_time(
    blocks: Blocks, findings: pd.DataFrame, rounds: pd.DataFrame, weak: list[WeakPart], faults: list[Fault]
) -> list[Fault]:
    """
    What parts lacked from the first day on beyond the faults found since: the inverter's where all its strings were traced, as
    what is wrong with those is among the faults found. What a dead string takes is known, and what is lacking beyond it is
    another's. Of other faults of unknown day the size is in doubt: they explain it where they may take a good part of it.
    """
    n_days, out = len(blocks.dates), []
    undated = [f for f in faults if f.start <= 0 and not (f.strings and f.kind == "open")]
    for part in weak:
        size = part.deficit * part.share
        lacks = size - _since(part, faults, n_days)
        may_take = sum(f.share + 2.0 * f.share_sd for f in undated if f.inverter == part.inverter)
        if may_take > _EXPLAINS * lacks or lacks < _STILL_WEAK * size:
            continue
        kind = f"weak input {part.mppt}" if part.mppt else WEAK
        doubt = max(part.uncertainty * part.share, 0.1 * lacks)
        found = Fault("string_fault", part.inverter, (), kind, -1, n_days, lacks, doubt, True)
        if _tested(blocks, rounds, -1, n_days) >= set(part.strings):
            read = _read(blocks, findings, rounds, found)
            found = replace(found, cause="inverter_efficiency", kind="input not tracking", read=read)
        else:
            found = _weighed(found, blocks, findings, rounds, doubt)
        out.append(found)
    return out


def unnamed_part(
    blocks: Blocks, findings: pd.DataFrame, rounds: pd.DataFrame, inverter: int, start: int, size: float, doubt: float
) -> Fault:
    """A part of an inverter that nobody has seen and that was lacking from local day `start` on, -1 for all along."""
    kind = WEAK if start < 0 else "unseen"
    part = Fault("string_fault", inverter, (), kind, start, len(blocks.dates), size, doubt, True)
    return _weighed(part, blocks, findings, rounds, doubt)


def _tested(blocks: Blocks, rounds: pd.DataFrame, start: int, end: int) -> set[str]:
    """Strings with a trace fit for use from local day `start` up to before `end`."""
    if rounds.empty:
        return set()
    day = np.array([blocks.day_of(t) for t in rounds["time"]])
    return set(rounds.loc[(day >= start) & (day < end) & (rounds["grade"] != "unfit").to_numpy(), "string_id"])


def _since(part: WeakPart, faults: list[Fault], n_days: int) -> float:
    """
    What the faults found so far take of the part's inverter for most of the days, which is in the part's deficit as well: shares
    of the whole, which add.
    """
    own = [f for f in faults if f.inverter == part.inverter and f.end - f.start > 0.5 * n_days]
    return _as_log(sum(-np.expm1(-f.share) for f in own if set(f.strings) & set(part.strings)))


def _string_shares(site: Site, blocks: Blocks) -> tuple[dict[str, float], dict[str, int]]:
    total: dict[str, float] = {}
    for s in site.strings:
        total[s.inverter_id] = total.get(s.inverter_id, 0.0) + s.p_mp_w
    place = {name: k for k, name in enumerate(blocks.model.inverter_ids)}
    return (
        {s.string_id: s.p_mp_w / total[s.inverter_id] for s in site.strings},
        {s.string_id: place[s.inverter_id] for s in site.strings},
    )


def _as_log(share: float) -> float:
    return float(-np.log(max(1.0 - share, 0.02)))
