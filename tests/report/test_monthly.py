"""The owner's month, as somebody with five minutes reads it."""

import datetime as dt
import math
import re
from dataclasses import replace

import pandas as pd
import pytest

from dashboards.parts.charts import COLOURS
from tests.book.build import raise_job
from tests.report.invented import MONTHS, PRICE, assessment, bridge
from tests.report.invented_jobs import HOSTILE_NAME
from tests.report.paper import needs_pango, pages
from yieldwatch.book.keep import open_book
from yieldwatch.book.reconcile import Reconciled
from yieldwatch.report import monthly_pictures, pictures
from yieldwatch.report.monthly import monthly_html, monthly_pdf
from yieldwatch.report.monthly_words import answers, last_month, summed_bridge
from yieldwatch.report.pictures import Bars, Step

QUESTIONS = ("What came in", "What was expected", "Why it differs", "What was in our hands", "What to decide", "What was proven",
             "What is not known")


def with_month_budget(done=None):
    """The invented assessment with the bridge of its month too."""
    done = done or assessment()
    birch, alder = done.sites
    spans = [bridge().assign(span=span) for span in ("month", "year_to_date", "twelve_months")]
    return replace(done, sites=(birch, replace(alder, bridge=pd.concat(spans, ignore_index=True))))


def said(done):
    month = last_month(done)
    return {a.question: " ".join(a.said) for a in answers(done, month)}


def test_every_question_has_its_answer_in_order():
    assert tuple(said(with_month_budget())) == QUESTIONS
    assert all(said(with_month_budget()).values())


def test_each_job_to_approve_stands_in_the_list_the_first_too():
    done = with_month_budget()
    (decide,) = [a for a in answers(done, last_month(done)) if a.question == "What to decide"]
    assert len(decide.said) > 3
    assert decide.said[decide.lead - 1].endswith("Your quotes replace these costs.")
    list_ = monthly_html(done).split("What to decide</h2>")[1].split("</div>")[0].split("<ul>")
    assert "Approve" in list_[0]
    assert list_[1].count("<li>") == len(decide.said) - decide.lead


def test_the_month_is_the_last_measured_and_farms_without_it_are_named():
    month = last_month(assessment())
    assert month.month == MONTHS[-1]
    assert [t.name for t in month.of_month] == ["Alder Hill"]
    assert "Not measured in this month, and in none of its figures: <script>" in said(assessment())["What came in"]


def test_figures_of_the_month_follow_from_the_tables():
    words = said(with_month_budget())
    # June: 41,000 kWh expected; the causes' shares add up to 8.3 % of it: 37,597 kWh measured, 37,597 kWh x 0.082.
    assert "37.6 MWh from 1 farm, worth GBP 3,083 by the tariffs" in words["What came in"]
    assert "41.0 MWh with nothing wrong; what came in is 8.3 % below that" in words["What was expected"]
    # 37,597 over 27,000 is 1.3925.
    assert "39.2 % above the month's, 27.0 MWh" in words["What was expected"]
    # soiling, shading, string faults, inverters below their curve, inverters off: 5.9 % of 41,000 kWh = 2,419 kWh.
    assert words["What was in our hands"].startswith("2.4 MWh (")
    assert f"worth GBP {2419 * PRICE:.0f}" in words["What was in our hands"]


def test_the_reasons_add_up_to_the_difference():
    text = said(with_month_budget())["Why it differs"].replace("−", "-")
    figures = [float(f) for f in re.findall(r"(?<![\d(])[+-]\d+\.\d", re.sub(r"\([^)]*\)", "", text))]
    # 37.597 less 27.0; each of up to five figures is rounded to a tenth
    assert sum(figures) == pytest.approx(10.597, abs=0.25)


def test_without_a_budget_it_says_so():
    done = assessment()
    birch, alder = done.sites
    bare = said(replace(done, sites=(birch, replace(alder, bridge=pd.DataFrame()))))
    assert "No farm has a budget" in bare["What was expected"]
    lost = re.findall(r"(\d+\.\d) MWh \((\d+\.\d) to (\d+\.\d)\)", bare["Why it differs"])
    assert [float(m) for m, _, _ in lost] == sorted((float(m) for m, _, _ in lost), reverse=True)
    assert len(lost) > 1
    assert all(float(m) > 0 for m, _, _ in lost)
    assert "GBP" not in bare["What came in"]
    assert "No money is stated for Alder Hill: income is counted from the budget on" in bare["What came in"]


def test_the_money_names_the_farm_that_it_leaves_out():
    done = with_month_budget()
    birch, alder = done.sites
    other = replace(alder, site=replace(alder.site, id="petrel", name="Petrel Rise"), bridge=pd.DataFrame())
    text = said(replace(done, sites=(birch, alder, other)))["What came in"]
    assert "The money leaves out Petrel Rise: income is counted from the budget on, and its plan has none." in text


def test_a_total_that_one_farm_does_not_know_is_not_known():
    done = with_month_budget()
    birch, alder = done.sites
    other = alder.bridge.copy()
    other.loc[other["step"] == "actual_revenue", "money"] = math.nan
    both = replace(done, sites=(replace(birch, bridge=other), alder))
    rows = summed_bridge(both, "month", MONTHS[-1])
    assert math.isnan(rows.at["actual_revenue", "money"])
    assert rows.at["budget", "energy_kwh"] == 54_000
    assert "What it is worth is not known" in said(both)["What came in"]


def test_what_is_to_be_decided_names_safety_first_and_the_sum():
    text = said(assessment())["What to decide"]
    assert text.startswith("First, whatever it returns, for safety: Repair strings at Alder Hill: S21")
    # 430 + 210 + 150 of the jobs that are on, against 238 + 254 a year
    assert "Approve GBP 540 for 3 jobs, against which stand GBP 492" in text


def test_jobs_to_approve_that_are_not_named_are_counted():
    done = with_month_budget()
    asked = done.work_list[done.work_list["chosen"] & ~done.work_list["safety"]].iloc[[0]]
    many = pd.concat([asked.assign(job_id=f"J{n}", rank=n) for n in range(1, 6)], ignore_index=True)
    assert "2 other jobs to approve are in the list below" in said(replace(done, work_list=many))["What to decide"]
    assert "other job" not in said(done)["What to decide"]


def test_what_was_lost_most_is_stated_with_its_interval():
    found = re.search(r"The largest: (.*?)\. ", said(with_month_budget())["What was in our hands"] + " ")
    assert found
    assert re.fullmatch(r"[^:]+ GBP [\d,]+ \([\d,]+ to [\d,]+\)", re.split(", | and ", found[1])[0])


def test_a_claim_past_its_date_is_not_called_open():
    # The invented claim was to be made by 31 January 2025; the report is of July.
    assert "1 claim on others past its date; see" in said(assessment())["What was in our hands"]
    late = assessment()
    later = replace(late, claims=late.claims.assign(deadline="2025-09-30"))
    assert "1 claim on others to be made by 30 Sep 2025" in said(later)["What was in our hands"]


def test_a_claim_and_the_job_that_asks_for_it_are_counted_once():
    done = assessment()
    claim = done.claims[(done.claims["state"] == "claim") & (done.claims["payer"] != "owner")].assign(deadline="2025-09-30")
    job = claim.assign(ground="job", subject="J1", deadline="2025-09-30")
    twice = replace(done, claims=pd.concat([claim, job], ignore_index=True))
    assert "1 claim on others to be made" in said(twice)["What was in our hands"]
    # A maker's claim stands as a job alone, because its strings are watched and no more.
    maker = pd.concat([claim, job.assign(payer="module_maker")], ignore_index=True)
    assert "2 claims on others to be made" in said(replace(done, claims=maker))["What was in our hands"]


def test_many_farms_still_make_one_page():
    done = assessment()
    birch = done.sites[0]
    many = tuple(replace(birch, site=replace(birch.site, id=f"f{n}", name=f"Farm {n}")) for n in range(40))
    text = said(replace(done, sites=(*many, done.sites[1])))["What came in"]
    assert "Farm 0, Farm 1, Farm 2, Farm 3, Farm 4, and 35 more" in text


def test_what_was_proven_comes_from_the_job_book(tmp_path):
    assert "without a job book" in said(assessment())["What was proven"]
    book = Reconciled(pd.DataFrame(), (), (), (), (), ())
    assert said(replace(assessment(), in_book=book))["What was proven"].startswith("No job of the job book is done yet. Of ")
    done = replace(raise_job(open_book(tmp_path)), decision="do", done_on=dt.date(2025, 4, 1), verdict_days=30.0,
                   verdict_promised_kwh=100.0, verdict_kwh=60.0, verdict_low_kwh=50.0, verdict_high_kwh=70.0)
    text = said(replace(assessment(), in_book=replace(book, jobs=(done,))))["What was proven"]
    # Promises are the job book's; what stands after them is of the events, too.
    assert text.startswith("1 job of the job book is done, 1 measured. 1 measured job was to win back 100 kWh in")
    assert "to win back 100 kWh in the days measured and won back 60 kWh" in text


def test_names_cannot_close_a_tag_and_nothing_is_fetched():
    html = monthly_html(with_month_budget())
    assert "<script" not in html
    assert HOSTILE_NAME not in html
    assert "&lt;script&gt;" in html
    assert not re.search(r'(?:src|href)\s*=', html)
    assert "default-src 'none'" in html


@needs_pango
def test_on_paper_the_words_are_the_first_page_and_the_bytes_are_always_the_same():
    content = monthly_pdf(with_month_budget())
    assert content == monthly_pdf(with_month_budget())
    found = pages(content)
    assert all(question in found[0] for question in QUESTIONS)
    assert "From budget to income" in found[1]


def test_a_portfolio_without_a_measured_month_says_so():
    done = assessment()
    html = monthly_html(replace(done, sites=(done.sites[0],)))
    assert "no farm has a measured month" in html


def test_losses_by_month_hold_the_accounts_sums_and_months_not_measured_are_gaps():
    picture = monthly_pictures._losses(assessment(), last_month(assessment()))
    # soiling takes 2.1 % of 162,000 kWh in the six months that are there
    assert "3.4 MWh" in picture.svg
    assert "reactive power" in picture.caption


def test_a_months_whisker_spans_its_interval_to_the_scale_of_the_bars():
    row = Bars("dirt", [10.0, math.nan], [5.0, math.nan], [15.0, math.nan], "10 (5 to 15)")
    svg = pictures.bars_by_month([row], ["Jan", "Feb"], "alternative")
    (bar,) = [float(h) for h in re.findall(r'height="([\d.]+)"', svg)]
    ((top, bottom),) = [(float(a), float(b)) for a, b in re.findall(r"M[\d.]+ ([\d.]+) h3 m-1.5 0 V([\d.]+)", svg)]
    # The interval is 10 long, as the bar is.
    assert bottom - top == pytest.approx(bar, abs=0.15)
    assert "10 (5 to 15)" in svg


def test_a_month_without_bounds_has_a_ring_and_the_picture_says_so():
    row = Bars("dirt", [10.0, 12.0], [5.0, math.nan], [15.0, math.nan], "22")
    assert pictures.bars_by_month([row], ["Jan", "Feb"], "alternative").count("<circle") == 1
    done = assessment()
    assert "ring" not in monthly_pictures._losses(done, last_month(done)).caption
    birch, alder = done.sites
    losses = alder.losses.copy()
    losses.loc[(losses["cause"] == "soiling") & (losses["month"] == "2025-06"), ["energy_low_kwh", "energy_high_kwh"]] = math.nan
    done = replace(done, sites=(birch, replace(alder, losses=losses)))
    picture = monthly_pictures._losses(done, last_month(done))
    assert "A ring: no interval is known" in picture.caption
    assert picture.svg.count("<circle") == 1


def test_a_bridge_leads_from_total_to_total():
    svg = pictures.bridge([Step("a & b", 100.0, "100", total=True), Step("less", -20.0, "-20", -30.0, -10.0),
                           Step("end", 80.0, "80", total=True)], "alternative")
    assert "a &amp; b" in svg
    left = [float(x) for x in re.findall(r'<rect x="([\d.]+)"', svg)]
    wide = [float(w) for w in re.findall(r'<rect x="[\d.]+" y="[\d.]+" width="([\d.]+)"', svg)]
    # The loss ends where the next total ends, and begins where the first one ended.
    assert left[1] == pytest.approx(left[2] + wide[2], abs=0.2)
    assert left[1] + wide[1] == pytest.approx(left[0] + wide[0], abs=0.2)


def test_a_span_without_a_figure_is_blank():
    assert pictures.span(math.nan, 0, 1, 0, 1) == ""
    assert pictures.span(0.5, 0, 1, 0, 0) == ""


def _filled(svg):
    """Colours of the bars, in their order."""
    return re.findall(r'<rect [^>]*fill="(#\w{6})"', svg)


def test_orange_is_what_is_in_our_hands_on_paper_and_in_the_browser_alike():
    steps = [Step("budget", 100.0, "100", total=True), Step("dirt", -20.0, "-20", mine=True), Step("sun", -10.0, "-10"),
             Step("price", 5.0, "5"), Step("end", 75.0, "75", total=True)]
    svg = pictures.bridge(steps, "alternative")
    assert _filled(svg) == [pictures.WHOLE, pictures.MINE, pictures.OTHERS, pictures.OTHERS, pictures.WHOLE]
    assert COLOURS["orange"].upper() == pictures.MINE
    assert COLOURS["blue"].upper() == pictures.OTHERS
    assert list(COLOURS).index("orange") == len(COLOURS) - 1, "series of a picture take the others first"
    assert pictures.MINE not in pictures.span(1.0, 0.5, 1.5, 0.0, 2.0, 1.2)


def test_what_is_in_our_hands_is_hatched_within_its_bar():
    svg = pictures.bridge([Step("a", 100.0, "100", total=True), Step("dirt", -60.0, "-60", mine=True)], "alternative")
    left, top, wide, tall = (float(v) for v in re.search(
        rf'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)" height="([\d.]+)" fill="{pictures.MINE}"', svg).groups())
    (path,) = re.findall(rf'<path d="([^"]*)" fill="none" stroke="{pictures.MINE}"', svg)
    points = [(float(x), float(y)) for x, y in re.findall(r"[ML]([\d.]+) ([\d.]+)", path)]
    assert len(points) > 10
    assert all(left - 0.1 <= x <= left + wide + 0.1 and top - 0.1 <= y <= top + tall + 0.1 for x, y in points)


def test_a_months_bar_is_split_where_a_part_of_it_is_in_our_hands():
    row = Bars("output held down", [10.0, 4.0], [8.0, 3.0], [12.0, 5.0], "14", [6.0, 0.0])
    svg = pictures.bars_by_month([row], ["Jan", "Feb"], "alternative")
    assert _filled(svg) == [pictures.MINE, pictures.OTHERS, pictures.OTHERS]
    tall = [float(h) for h in re.findall(r'<rect [^>]*height="([\d.]+)"', svg)]
    assert tall[0] / tall[1] == pytest.approx(1.5, rel=0.02)


def test_the_losses_say_what_of_the_output_held_down_was_a_limit_left_on():
    done = assessment()
    birch, alder = done.sites
    held = alder.losses["cause"] == "curtailment"
    losses = alder.losses.copy()
    losses.loc[held, ["energy_kwh", "energy_low_kwh", "energy_high_kwh"]] = [1000.0, 900.0, 1100.0]
    losses.loc[held, "in_hand_kwh"] = 400.0
    done = replace(done, sites=(birch, replace(alder, losses=losses)))
    months = held.sum()
    caption = monthly_pictures._losses(done, last_month(done)).caption.replace("\xa0", " ")
    assert f"Of output held down {0.4 * months:.1f} MWh was a limit left on." in caption
    assert "limit left on" not in monthly_pictures._losses(assessment(), last_month(assessment())).caption
