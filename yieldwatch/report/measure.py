"""
The next measurement as people read it: what each reading is worth in decisions, and when the light is strong enough.
"""

from __future__ import annotations

from yieldwatch.assess import Assessment
from yieldwatch.report import words
from yieldwatch.report.blocks import Grid
from yieldwatch.report.totals import Amount

#: Each reading in words.
READING_WORDS = {
    "test_strings": "trace strings",
    "wash_witness": "wash two strings to see the dirt",
    "check_light_sensor": "clean and calibrate the light sensor",
    "read_clamps": "read clamps",
    "fit_logger": "fit a power log",
}
#: Most readings shown on the page; the file holds all.
_MOST = 12


def next_grid(assessment: Assessment) -> Grid | None:
    """Readings by worth less cost; None where no reading bears on any job."""
    table, currency = assessment.next_measurements, assessment.portfolio.currency
    if table.empty:
        return None
    shown = table.head(_MOST)
    lines = tuple(
        (_reading(row), _site(assessment, row["site_id"]), words.per_cent(row["chance_of_change"], 0),
         words.money_of(row, "worth", currency), _range(row, currency), words.money(row["cost"], currency), row["verdict"])
        for row in shown.to_dict("records"))
    rest = len(table) - len(shown)
    more = f"; the {rest} further ones too" if rest > 1 else "; the further one too" if rest else ""
    return Grid(
        "What a reading is worth: how much better the choice of jobs after it is, in the mean, than the one made now. The range "
        "is what the number of draws leaves open.",
        ("Reading", "Farm", "#Chance it changes what is done", "#Worth", "Range (90 %)", "#Cost", "Read before deciding?"), lines,
        after=f"{_most(assessment)} next_measurements.csv holds how each is done, its cautions, and the jobs that it may turn"
              f"{more}.")


def light_grid(assessment: Assessment) -> Grid | None:
    """The likeliest hour of the day for readings in each coming month, for farms where one may change something."""
    table, hours = assessment.next_measurements, assessment.bright_hours
    if table.empty or hours.empty:
        return None
    wanted = table.loc[table["needs_strong_light"].astype(bool) & (table["chance_of_change"] > 0), "site_id"].unique()
    lines = []
    for site_id in wanted:
        for month, part in hours[hours["site_id"] == site_id].groupby("month"):
            if part["hours"].notna().any():
                best = part.loc[part["hours"].idxmax()]
                hour = int(best["hour"])
                lines.append((
                    _site(assessment, site_id), words.month_name(month), f"{hour:02d}:00 to {hour + 1:02d}:00",
                    words.number(best["hours"]), f"{words.number(best['hours_low'])} to {words.number(best['hours_high'])}"))
    if not lines:
        return None
    least = words.number(hours["light_w_m2"].iloc[0], 0)
    return Grid(
        f"Hours of each coming month with {least} W/m² or more in the array plane at the hour of the day that has most of them, "
        "by the site's own past weather. Whether the light is steady as well, only the day shows.",
        ("Farm", "#Month", "Best hour", "#Hours in the month", "90 % interval"), tuple(lines),
        after="bright_hours.csv holds every hour of the day.")


def _most(assessment: Assessment) -> str:
    """What certainty would be worth at the farms of the list together."""
    each = assessment.next_measurements.groupby("site_id")["worth_if_certain"].first()
    where = "this farm" if len(each) == 1 else f"these {len(each)} farms"
    worth = words.money(each.sum(), assessment.portfolio.currency)
    return (f"To know for certain what each job of {where} returns would be worth {worth} in the mean: all readings together "
            "cannot be worth more.")


def _reading(row: dict) -> str:
    reading = READING_WORDS[row["measurement"]]
    return reading if row["scope"] == "site" else f"{reading} {words.plain(row['scope'])}"


def _range(row: dict, currency: str) -> str:
    return words.money_span(Amount(row["worth"], row["worth_low"], row["worth_high"]), currency)


def _site(assessment: Assessment, site_id: object) -> str:
    names = {s.site.id: s.site.name for s in assessment.sites}
    return words.plain(names.get(str(site_id), str(site_id)))

