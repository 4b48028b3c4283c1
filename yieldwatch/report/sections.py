"""
What stands in a farm's section of the report, as text ready to be set: the template only lays it out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd

from yieldwatch.assess_site import SiteAssessment
from yieldwatch.check import Source, check_site, set_aside_kinds
from yieldwatch.constants import BEYOND, FAULT_FINDINGS, IN_HAND, LEFT_ON
from yieldwatch.field.read import notices_beside_rows
from yieldwatch.report import figures, sentences, words
from yieldwatch.report.blocks import Figure, Grid
from yieldwatch.report.evidence import Said, in_words
from yieldwatch.report.finding_words import CHANCE_HEAD, finding_word
from yieldwatch.report.money import MoneySection, money_section
from yieldwatch.report.source_words import source_cells
from yieldwatch.report.totals import Amount, CauseTotal, SiteTotal, month_groups
from yieldwatch.report.words import EnergyUnit, count, money, money_span, per_cent

#: Rows of a table that the page shows before it sends the reader to the CSV file.
MOST_STRINGS = 20
MOST_SPELLS = 10
MOST_REASONS = 12
TABLES_SAY = "The tables hold every figure."


@dataclass(frozen=True)
class FarmSection:
    """Everything about one farm."""

    id: str
    name: str
    period: str
    summary: tuple[str, ...]
    figures: tuple[Figure, ...]
    months: Grid
    month_causes: Grid
    causes: Grid
    strings_said: str
    strings: Grid | None
    downtime_said: str
    downtime: Grid | None
    evidence: tuple[Said, ...]
    not_told: tuple[str, ...]
    cannot_tell: tuple[str, ...]
    sources: Grid
    set_aside: Grid | None
    notices: tuple[str, ...]
    money: MoneySection
    assumptions: Grid | None = field(default=None)


def farm_section(place: int, site: SiteAssessment, total: SiteTotal, currency: str, claims: pd.DataFrame,
                 names: Mapping[str, str]) -> FarmSection:
    """
    Put one farm's section together.

    `place` makes its ids unique and free of user text; `claims` are all farms', `names` what people call jobs.
    """
    strings_said, strings = _strings(site)
    downtime_said, downtime = _downtime(site)
    checked = check_site(site.site, site.data)
    return FarmSection(
        id=f"farm-{place}",
        name=words.plain(site.site.name),
        period=words.months_span(tuple(site.gap.yields["month"])),
        summary=tuple(sentences.site_sentences(total, currency, site.site)),
        figures=_figures(place, site, total),
        months=_months(site),
        month_causes=_month_causes(site),
        causes=_causes(total, currency),
        strings_said=strings_said,
        strings=strings,
        downtime_said=downtime_said,
        downtime=downtime,
        evidence=_evidence(site),
        not_told=tuple(words.reason_words(s) for s in site.gap.not_told),
        cannot_tell=checked.cannot_tell,
        sources=_sources(site, checked.sources),
        set_aside=_set_aside(site.data.set_aside),
        notices=tuple(words.in_day_words(n) for n in notices_beside_rows(site.data.notices)),
        money=money_section(site, claims, names, currency),
        assumptions=_assumptions(site),
    )


def _figures(place: int, site: SiteAssessment, total: SiteTotal) -> tuple[Figure, ...]:
    yields = site.gap.yields
    period = words.months_span(tuple(yields["month"]))
    coverage = f"Energy really measured: {per_cent(total.coverage, 0)} of expected."
    name = words.plain(site.site.name)
    shown = [
        Figure(
            f"farm-{place}-months",
            "Above: measured (bars) and expected (lines). Below: what was lost, by cause; below zero is "
            f"a gain. {period}. {coverage} The 90 % intervals stand in the tables.",
            f"{name}, energy by month: measured, expected and losses by cause. {TABLES_SAY}",
            figures.monthly_figure(yields, site.losses),
        ),
        Figure(
            f"farm-{place}-causes",
            f"Where the energy went in {words.months_span(total.months)}: best estimate and 90 % interval. "
            f"{words.WHAT_A_MARK_IS} {coverage}",
            f"{name}, lost energy by cause with intervals. {TABLES_SAY}",
            figures.cause_figure(total),
        ),
    ]
    if yields["performance_ratio"].notna().any():
        shown.append(
            Figure(
                f"farm-{place}-ratios",
                "Performance ratio as it was and at 25 °C cell temperature; availability by energy and "
                f"coverage of the readings. {period}. No interval: these are ratios of readings, as good as "
                "the light sensor.",
                f"{name}, performance ratio, availability and coverage by month. {TABLES_SAY}",
                figures.ratio_figure(yields),
            )
        )
    return tuple(shown)


def _months(site: SiteAssessment) -> Grid:
    yields = site.gap.yields
    unit = EnergyUnit.fitting(float(yields["expected_kwh"].sum()))
    groups = month_groups(site)
    rows = []
    for row in yields.to_dict("records"):
        hand, rest = groups[row["month"]]
        rows.append(
            (
                words.month_name(row["month"]),
                words.number(row["insolation_kwh_m2"], 1),
                unit.bare(row["expected_kwh"]),
                unit.bare(row["measured_kwh"]),
                _from(row),
                f"{unit.bare(hand.value)} ({unit.span(hand)})" if hand.known else words.NOT_ASSESSED,
                f"{unit.bare(rest.value)} ({unit.span(rest)})" if rest.known else words.NOT_KNOWN,
                per_cent(row["performance_ratio"]),
                per_cent(row["performance_ratio_temp_corrected"]),
                per_cent(row["availability"]),
                per_cent(row["coverage"], 0),
            )
        )
    return Grid(
        f"By month. Light in kWh/m² in the array plane, energy in {unit.name}; in brackets the 90 % "
        "interval.",
        (
            "Month",
            "#Light",
            "#Expected",
            "#Measured",
            "Measured by",
            "#In our hands",
            "#Not explained",
            "#PR",
            "#PR at 25 °C",
            "#Availability",
            "#Coverage",
        ),
        tuple(rows),
    )


def _from(row: dict) -> str:
    source = row.get("measured_from")
    return words.NOT_KNOWN if source is None or pd.isna(source) else words.plain(source)


def _month_causes(site: SiteAssessment) -> Grid:
    """Every month and cause with its interval: the figures behind the stacked bars."""
    losses = site.losses
    unit = EnergyUnit.fitting(float(site.gap.yields["expected_kwh"].sum()))
    present = [c for c in words.CAUSE_WORDS if c in set(losses["cause"])]
    cells = {(r["month"], r["cause"]): _loss_cell(r, unit) for r in losses.to_dict("records")}
    rows = tuple(
        (words.month_name(m), *(cells.get((m, c), "") for c in present)) for m in site.gap.yields["month"]
    )
    return Grid(
        f"Lost energy by month and cause in {unit.name}, in brackets the 90 % interval.",
        ("Month", *(f"#{words.cause_word(c)}" for c in present)),
        rows,
        after="The same stands in losses.csv with the money.",
    )


def _loss_cell(row: dict, unit: EnergyUnit) -> str:
    if pd.isna(row["energy_kwh"]):
        return words.NOT_ASSESSED
    amount = Amount(row["energy_kwh"], row["energy_low_kwh"], row["energy_high_kwh"])
    return f"{unit.bare(amount.value)} ({unit.span(amount)})"


def _causes(total: SiteTotal, currency: str) -> Grid:
    unit = EnergyUnit.fitting(total.expected_kwh)
    rows: list[tuple[str, ...]] = []
    for c in total.causes:
        hand = _hand_word(total, c, unit)
        if not c.energy.known:
            blank = words.NOT_ASSESSED
            rows.append((words.cause_word(c.cause), hand, blank, "", "", "", "", words.BASIS_WORDS[c.basis]))
            continue
        partly = f"; not assessed in {count(c.months_not_assessed, 'month')}" if c.months_not_assessed else ""
        rows.append(
            (
                words.cause_word(c.cause),
                hand,
                unit.bare(c.energy.value),
                unit.span(c.energy),
                words.percentage(c.share.value),
                money(c.money.value, currency, c.money.low, c.money.high),
                money_span(c.money, currency),
                words.BASIS_WORDS[c.basis] + partly,
            )
        )
    rows.append(_sum_row(total, unit, currency))
    return Grid(
        f"Where the energy went in {words.months_span(total.months)}. Energy in {unit.name}; intervals "
        "are 90 %; below zero is a gain.",
        ("Cause", "In our hands", "#Energy", "interval", "#Of expected", "#Worth", "interval", "Rests on"),
        tuple(rows),
    )


def _hand_word(total: SiteTotal, cause: CauseTotal, unit: EnergyUnit) -> str:
    """Whether a cause is in the owner's hands; of output held down how much of it is."""
    left = next((c.energy.value for c in total.in_hand_parts if c.cause == LEFT_ON), 0.0) if cause.cause == "curtailment" else 0.0
    if left > 0 and unit.bare(left) == unit.bare(cause.energy.value):
        return f"yes: {words.cause_word(LEFT_ON)}"
    if left > 0:
        return f"{unit.bare(left)} of it: {words.cause_word(LEFT_ON)}"
    return "yes" if cause.cause in IN_HAND else "no" if cause.cause in BEYOND else ""


def _sum_row(total: SiteTotal, unit: EnergyUnit, currency: str) -> tuple[str, ...]:
    worth = money(total.gap_money, currency)
    return (
        "expected less measured",
        "",
        unit.bare(total.gap_kwh),
        "",
        words.percentage(total.gap_pct),
        worth,
        "",
        "sum of the rows" if total.is_measured else "no measured value",
    )


def _strings(site: SiteAssessment) -> tuple[str, Grid | None]:
    found = site.gap.string_findings
    if found.empty:
        return "No string was tested one by one, so no string can be named or cleared.", None
    untested = int((found["finding"] == "not_tested").sum())
    odd = found[~found["finding"].isin(["ok", "not_tested"])].sort_values("confidence", ascending=False)
    faults = int(odd["finding"].isin(FAULT_FINDINGS).sum())
    tested = len(found) - untested
    said = (
        f"{tested:,} of {count(len(found), 'string')} tested: {faults:,} with a fault of their own, "
        f"{len(odd) - faults:,} soiled or shaded, {tested - len(odd):,} sound."
    )
    if untested:
        not_tested = count(untested, "string was", "strings were")
        said += f" {not_tested} not tested and can be neither blamed nor cleared."
    if odd.empty:
        return said, None
    rows = tuple(
        (
            words.plain(r["string_id"]),
            finding_word(r),
            words.chance_word(r["confidence"]),
            per_cent(r["p_mp_ratio"]),
            per_cent(r["i_sc_ratio"]),
            per_cent(r["v_oc_ratio"]),
            per_cent(r["fill_factor_ratio"]),
            words.day(r["last_round"]),
        )
        for r in odd.head(MOST_STRINGS).to_dict("records")
    )
    more = len(odd) - len(rows)
    return said, Grid(
        "Strings that differ from their peers of the same round, type and plane (peers are 100 %).",
        (
            "String",
            "Finding",
            f"#{CHANCE_HEAD}",
            "#Power",
            "#Current",
            "#Voltage",
            "#Fill factor",
            "Last round",
        ),
        rows,
        after=f"{more} more in string_findings.csv." if more else "",
    )


def _downtime(site: SiteAssessment) -> tuple[str, Grid | None]:
    spells = site.gap.downtime
    if spells.empty:
        return "No spell of downtime was found.", None
    unit = EnergyUnit.fitting(float(spells["energy_kwh"].sum()))
    parts = [
        f"{words.cause_word(cause)}: {count(len(energy), 'spell')}, {unit.text(energy.sum(min_count=1))}"
        for cause, energy in spells.groupby("cause")["energy_kwh"]
    ]
    # Clipping is in the counts; it is no loss, so none of its spells needs anybody's eyes.
    lost = spells[spells["cause"] != "clipping"]
    longest = lost.sort_values("energy_kwh", ascending=False).head(MOST_SPELLS)
    rows = tuple(
        (
            words.plain(r["inverter_id"]) if pd.notna(r["inverter_id"]) and r["inverter_id"] else "the whole farm",
            words.cause_word(r["cause"]),
            _clock(r["start"], site),
            _clock(r["end"], site),
            unit.bare(r["energy_kwh"]),
        )
        for r in longest.to_dict("records")
    )
    more = len(lost) - len(rows)
    return "; ".join(parts) + ".", Grid(
        f"The spells that took most, in site time ({words.plain(site.site.timezone)}). Energy in "
        f"{unit.name}.",
        ("Inverter", "Why", "From", "To", "#Energy not made"),
        rows,
        after=f"{more} more in downtime.csv." if more else "",
    )


def _clock(time: object, site: SiteAssessment) -> str:
    stamp = pd.Timestamp(time)  # type: ignore[arg-type]
    if pd.isna(stamp):
        return "open"
    local = (stamp if stamp.tzinfo else stamp.tz_localize("UTC")).tz_convert(site.site.timezone)
    return f"{words.day(local)} {local:%H:%M}"


def _evidence(site: SiteAssessment) -> tuple[Said, ...]:
    return tuple(in_words(why) for why in site.gap.evidence if why.assessed)


def _sources(site: SiteAssessment, found: Sequence[Source]) -> Grid:
    rows = tuple(source_cells(source, site.site.timezone) for source in found)
    return Grid("What was read.", ("Data", "#Rows", "From", "To", "#Covered", "Holds"), rows)


def _set_aside(rows: pd.DataFrame) -> Grid | None:
    if rows.empty:
        return None
    groups = set_aside_kinds(rows)
    shown = tuple(
        (words.plain(g.file), words.plain(g.reason), f"line {g.line}{': ' if g.stood else ''}{words.plain(g.stood)}", f"{g.n:,}")
        for g in groups.head(MOST_REASONS).itertuples()
    )
    more = len(groups) - len(shown)
    return Grid(
        f"{count(len(rows), 'input row')} set aside.",
        ("File", "Reason", "First", "#Rows"),
        shown,
        after=f"{more} more kinds in set_aside.csv." if more else "Each row stands in set_aside.csv.",
    )


def _assumptions(site: SiteAssessment) -> Grid | None:
    own = site.site.assumptions
    if not own:
        return None
    rows = tuple(
        (words.plain(name), f"{a.value:g}", words.plain(a.source), words.plain(a.as_of or ""))
        for name, a in own.items()
    )
    return Grid("Defaults replaced for this farm.", ("Assumption", "#Value", "Source", "As of"), rows)
