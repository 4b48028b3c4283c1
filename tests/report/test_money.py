"""A farm's money in the report: sentences and tables, with what is missing said."""

import io

import numpy as np
import openpyxl
import pandas as pd
import pytest

from tests.report.invented import assessment, returns
from tests.report.invented_jobs import HOSTILE_FORMULA
from yieldwatch.report import money
from yieldwatch.report.money import _statements_said, money_section
from yieldwatch.report.page import render_page
from yieldwatch.report.schema import RETURNS
from yieldwatch.report.workbook import workbook_xlsx


@pytest.fixture(scope="module")
def report():
    return assessment()


@pytest.fixture(scope="module")
def section(report):
    return money_section(farm(report, "alder"), report.claims, {}, "GBP")


def farm(report, name):
    return next(s for s in report.sites if s.site.id == name)


def grid(section, start):
    return next(g for g in section.grids if g.caption.startswith(start))


def test_the_sentences_say_what_was_settled_and_what_return_comes(section):
    said = " ".join(section.said)
    assert "1 of 2 statements agree with meter and tariff" in said
    assert "1 settled over other energy" in said
    assert "GBP 69 less was settled than was due. What no statement settles is worth GBP 1,880." in said
    assert "39.2 % above budget" in said  # 37 597 over 27 000
    assert "6.4 % (5.8 to 6.9); the plan's is 6.8 %" in said


def test_what_a_wrong_price_took_is_told_apart_from_what_the_other_meter_gave():
    checks = pd.DataFrame([
        ("agrees", 1000.0, 900.0, 100.0, 0.0), ("price_differs", 930.0, 1000.0, 0.0, -70.0)],
        columns=["verdict", "amount", "amount_due", "due_to_energy", "due_to_price"])
    checks = checks.assign(amount_difference=checks["amount"] - checks["amount_due"])
    said = _statements_said(checks, "EUR")
    assert said.endswith("EUR 30 more was settled than was due; at prices that differ, EUR 70 too little.")


def test_the_worth_of_spans_without_a_statement_is_a_least_one_where_that_of_some_is_not_known():
    checks = pd.DataFrame([("missing", float("nan"), 500.0), ("missing", float("nan"), float("nan"))],
                          columns=["verdict", "amount", "amount_due"])
    said = _statements_said(checks.assign(amount_difference=float("nan"), due_to_price=float("nan")), "EUR")
    assert said.endswith("What no statement settles is worth at least EUR 500.")


def test_the_bridge_shows_what_the_plan_lacks_and_no_zero_for_it(section):
    rows = {row[0]: row for row in grid(section, "From budget to income").rows}
    assert rows["sun"][1] == ""
    assert "insolation" in rows["sun"][-1]
    assert rows["dirt on the glass"][1] == "−0.9"


def test_each_loss_stands_in_money_basis_points_and_days(section):
    (row,) = grid(section, "What each loss").rows
    assert row == ("dirt on the glass", "280 (190 to 370)", "12.0 (8.0 to 16.0)", "31 (21 to 41)")


def test_a_farm_that_has_paid_itself_back_has_no_days_of_payback_to_lose():
    left = pd.DataFrame([("alder", "payback_remaining", "", 0.0, 0.0, 0.0, "months", 0.0, "")], columns=list(RETURNS))
    own = pd.concat([returns().replace({"value": {31.0: np.nan}}), left], ignore_index=True)
    assert money._losses(own, "GBP").rows[0][3] == "paid back already"
    remaining = next(r for r in money._returns(own, "GBP").rows if r[0].startswith("months until"))
    assert remaining[1:4] == ("0", "0 to 0", "0")


def test_claims_show_payer_deadline_and_evidence_but_not_what_nobody_owes(section):
    rows = grid(section, "Who else may pay").rows
    assert len(rows) == 1
    assert rows[0][0] == "maintenance contractor"
    assert rows[0][5:] == ("31 Jan 2025", "97.9 % against 98.5 % promised.", "downtime.csv")


def test_a_farm_without_money_data_says_so_and_has_no_tables(report):
    bare = money_section(farm(report, "birch"), report.claims, {}, "GBP")
    assert not bare.grids
    assert "No statements were given" in bare.said[0]
    assert "no budget" in bare.said[1]
    assert "No rate of return" in bare.said[2]
    empty = money_section(farm(report, "birch"), pd.DataFrame(), {}, "GBP")
    assert not empty.grids


def test_text_of_statements_and_claims_is_escaped_on_the_page(report):
    page = render_page(report)
    assert "Ask for the &lt;b&gt;readings&lt;/b&gt;." in page
    assert "<script>alert" not in page


def test_the_workbook_has_a_sheet_for_each_with_figures_as_figures(report):
    book = openpyxl.load_workbook(io.BytesIO(workbook_xlsx(report)))
    assert {"Who pays", "Statements", "Budget to income", "Return", "Losses in return"} < set(book.sheetnames)
    claim = next(book["Who pays"].iter_rows(min_row=4))
    assert (claim[8].value, claim[8].data_type) == (1800, "n")
    paid = list(book["Statements"].iter_rows(min_row=4))[1]
    assert (paid[3].value, paid[3].data_type) == (HOSTILE_FORMULA, "s")
