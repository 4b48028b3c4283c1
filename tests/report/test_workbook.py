"""The workbook as a spreadsheet program reads it."""

import io
from dataclasses import replace

import openpyxl
import pandas as pd
import pytest
import xlsxwriter

from tests.report.invented import assessment
from tests.report.invented_jobs import HOSTILE_FORMULA, NOT_WORTH, TIGHT_BUDGET
from yieldwatch.report.schema import TABLES, WORK_LIST_EXTRAS
from yieldwatch.report.sheets import Field, Sheet
from yieldwatch.report.workbook import _lines, _styles, _write_sheet, workbook_xlsx


@pytest.fixture(scope="module")
def book():
    return read(assessment())


def read(done):
    return openpyxl.load_workbook(io.BytesIO(workbook_xlsx(done)))


def column(sheet, heading, head_row=3):
    heads = [cell.value for cell in sheet[head_row]]
    return [row[heads.index(heading)] for row in sheet.iter_rows(min_row=head_row + 1)]


def test_no_cell_of_any_sheet_is_a_formula_or_a_link(book):
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert "f" not in kinds
    assert not any(cell.hyperlink for sheet in book for row in sheet.iter_rows() for cell in row)
    assert HOSTILE_FORMULA in [cell.value for cell in column(book["Work list"], "Why")]


def test_jobs_stand_in_rank_order_with_typed_cells(book):
    sheet = book["Work list"]
    assert [cell.value for cell in column(sheet, "Rank")] == [1, 2, 3, 4, 5]
    cost = column(sheet, "Cost")[0]
    assert (cost.value, cost.data_type) == (180, "n")
    assert "GBP" in cost.number_format
    assert column(sheet, "From")[0].is_date
    assert [cell.value for cell in column(sheet, "Do it")] == ["safety", "yes", "yes", "not now", "not now"]


def test_a_payback_that_never_comes_is_said_and_one_that_is_not_known_is_blank(book):
    heads = [cell.value for cell in book["Work list"][3]]
    slow = heads.index("Payback") + 3
    assert book["Work list"].cell(3, slow).value == "high"
    assert book["Work list"].cell(7, slow).value == "never"
    assert book["Work list"].cell(6, slow).value is None  # without a price nothing is known


def test_a_small_sum_keeps_its_cents_and_a_step_without_figures_says_where_it_is(book):
    listed = assessment().work_list
    listed.loc[1, "cost"] = 3.26
    small, large = column(read(replace(assessment(), work_list=listed))["Work list"], "Cost")[1::-1]
    assert "0.00" in small.number_format
    assert "0.00" not in large.number_format
    assert "sun: within the model difference" in [cell.value for cell in column(book["Budget to income"], "Step")]


def test_a_small_sum_that_is_not_known_to_a_unit_has_no_cents_nor_has_its_interval():
    done = assessment()
    row = 1 + list(done.work_list["rank"]).index(2)
    listed = done.work_list.copy()
    for low, high, has_cents in ((2.3, 134.6, False), (9.2, 9.6, True)):
        listed.loc[row - 1, ["gain_per_year", "gain_low_per_year", "gain_high_per_year"]] = 9.4, low, high
        cell = column(read(replace(done, work_list=listed))["Work list"], "Worth a year")[row - 1]
        assert cell.value == 9.4
        assert ("0.00" in cell.number_format) is has_cents


def test_marks_that_formats_use_stand_in_the_workbook_as_they_were_written():
    done, text = assessment(), "50 % of INV1; 100%s {0} %(name)s &A #,##0 [Red] \"q\""
    listed = done.work_list.assign(why=text, caution=text)
    book = read(replace(done, work_list=listed))
    assert {cell.value for cell in column(book["Work list"], "Why")} == {text}


def test_a_job_planned_after_its_dates_says_so_where_it_is_to_be_done():
    done = assessment()
    listed = done.work_list.assign(planned_start=[None, "2026-03-10", None, None, None])
    said = [cell.value for cell in column(read(replace(done, work_list=listed))["Work list"], "Do it")]
    assert said[1] == "yes, in the week of 10 Mar 2026"


def test_the_sheet_prints_on_a4_across_with_its_headings_on_every_page(book):
    for sheet in book:
        assert sheet.page_setup.orientation == "landscape"
        # ECMA-376, ST_PaperSize: 9 is A4.
        assert int(sheet.page_setup.paperSize) == 9
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        # ECMA-376, CT_PageSetup: fitToWidth is 1 where it is not written; a height of 0 is any number of pages.
        assert sheet.page_setup.fitToWidth in (None, 1)
        assert sheet.page_setup.fitToHeight == 0
        assert sheet["A3"].font.name == "Arial"
        assert sheet.print_title_rows == "$1:$3"
        assert sheet.freeze_panes.endswith("4")
        # A4 across less its margins is 282 mm; a width of one is 7 pixels of 1/96 inch. At eight tenths that holds 190.
        on_paper = openpyxl.utils.cell.range_boundaries(sheet.print_area.split("!")[1])[2]
        widths = {n: d.width for d in sheet.column_dimensions.values() for n in range(d.min, d.max + 1)}
        assert sum(widths[n] for n in range(1, on_paper + 1)) <= 282 / (7 / 96 * 25.4) / 0.8
    # Why is on the paper, the planner's own columns are not.
    sheet = book["Work list"]
    assert sheet.print_area == "'Work list'!$A$1:$P$8"
    assert sheet["P3"].value == "Why"
    assert sheet.auto_filter.ref == "A3:AD8"


def test_columns_that_would_print_too_small_go_on_a_page_beside_with_the_rows_named_again():
    fields = tuple(Field(f"c{n}", 50, "text", f"c{n}", "a column") for n in range(6))
    made = Sheet("Wide", "wide", "", fields, ({f"c{n}": str(n) for n in range(6)},), "", "work_list", frozen=1)
    target = io.BytesIO()
    with xlsxwriter.Workbook(target) as new:
        _write_sheet(new.add_worksheet("Wide"), made, _styles(new, "GBP"))
    sheet = openpyxl.load_workbook(target)["Wide"]
    # 190 characters a page at eight tenths: three columns of 50, then the first again with two others each time.
    assert [b.id for b in sheet.col_breaks.brk] == [3, 5]
    assert sheet.page_setup.scale == 80
    assert sheet.print_title_cols == "$A:$A"


def test_a_chance_is_never_certain(book):
    assert column(book["Work list"], "Chance")[1].number_format == '[>0.99]">99 %";[<0.01]"<1 %";0 %'
    assert column(book["Work list"], "Chance")[0].value is None  # for safety, not for its return


def test_every_column_of_the_work_list_is_explained(book):
    explained = [tuple(cell.value for cell in row) for row in book["What the columns mean"].iter_rows(min_row=4)]
    heads = [(sheet.title, cell.value) for sheet in book for cell in sheet[3] if sheet.title != "What the columns mean"]
    assert [row[:2] for row in explained] == heads
    assert all(len(row[2]) > 2 for row in explained)
    for *_, source in explained:
        table, _, column = source.partition(".csv")
        assert not column or column.removeprefix(", ") in TABLES[table] | WORK_LIST_EXTRAS


def test_headings_are_short_and_carry_their_meaning_as_a_note(book):
    for sheet in book:
        assert all(len(cell.value) <= 34 for cell in sheet[3])
    assert book["Work list"]["H3"].comment.text.startswith("Energy won back over the coming twelve months")


def test_a_row_is_as_high_as_its_text_whatever_program_opens_it(book):
    assert _lines("", 10) == 1
    assert _lines("two words here", 10) == 2
    assert _lines("w" * 25, 10) == 3
    # drumlin- / inspect- / 3619
    assert _lines("drumlin-inspect-3619", 10) == 3
    sheet = book["Cautions"]
    # About 1,200 characters in a column of 140: nine lines or more of 10 points each.
    assert sheet.row_dimensions[6].height > 9 * 10


def test_every_job_goes_out_with_its_cautions(book):
    kinds = [cell.value for cell in column(book["Cautions"], "Kind of job")]
    assert {cell.value for cell in column(book["Work list"], "What to do")} <= set(kinds)
    assert "licensed persons" in book["Cautions"]["B4"].value


def test_the_same_assessment_gives_the_same_bytes():
    assert workbook_xlsx(assessment()) == workbook_xlsx(assessment())


def test_a_currency_cannot_leave_its_number_format():
    done = assessment()
    odd = replace(done, portfolio=replace(done.portfolio, currency='G"];[Red]0'))
    assert column(read(odd)["Work list"], "Cost")[0].number_format.count('"') == 4


def test_jobs_turned_down_say_what_would_change_it(book):
    changes = column(book["Not now"], "Why not, and what would change it")
    assert [cell.value for cell in changes] == [TIGHT_BUDGET, NOT_WORTH]


def test_sites_stand_under_the_names_that_crews_and_owners_know(book):
    for sheet in ("Work list", "Plan of the year", "Who pays", "Return"):
        assert "Alder Hill" in {cell.value for cell in column(book[sheet], "Site")}
        assert "alder" not in {cell.value for cell in column(book[sheet], "Site")}


def test_who_pays_names_a_job_and_not_its_key():
    done = assessment()
    key = done.work_list["job_id"].iloc[0]
    claims = done.claims.assign(subject=key, ground="job")
    said = column(read(replace(done, claims=claims))["Who pays"], "About")[0].value
    assert said.startswith("repair strings: ")
    assert key not in said


def test_money_of_the_return_is_in_the_portfolios_currency(book):
    units = {cell.value for cell in column(book["Return"], "Unit")}
    assert not any("money" in unit for unit in units)
    assert any("GBP" in unit for unit in units)


def test_an_empty_work_list_says_so():
    book = read(replace(assessment(), work_list=pd.DataFrame(), plan=pd.DataFrame()))
    assert book["Work list"]["A4"].value == "No job was found."
    assert book["Plan of the year"]["A4"].value == "Nothing is planned."


def test_a_budget_to_income_step_has_all_its_spans_on_one_row(book):
    sheet = book["Budget to income"]
    budget = next(row for row in sheet.iter_rows(min_row=4) if row[1].value == "budget")
    heads = [cell.value for cell in sheet[3]]
    # Only the twelve months are invented there: 27 MWh at 0.082 a kWh.
    assert budget[heads.index("12 months: energy")].value == 27_000
    assert budget[heads.index("12 months: worth")].value == pytest.approx(2214, abs=0.5)
    assert budget[heads.index("Month: energy")].value is None


def test_a_word_too_long_for_a_column_of_figures_runs_over_the_blanks_to_its_right():
    fields = (Field("Return", 13, "points", "a", "a column"), Field("Payback", 13, "days", "b", "a column"))
    rows = ({"a": 14.8, "b": "paid back already"}, {"a": 14.8, "b": "never"})
    target = io.BytesIO()
    with xlsxwriter.Workbook(target) as new:
        _write_sheet(new.add_worksheet("Loss"), Sheet("Loss", "loss", "", fields, rows, "", "returns"), _styles(new, "GBP"))
    sheet = openpyxl.load_workbook(target)["Loss"]
    # To the left is the figure before it, over which it would not be shown whole.
    assert [sheet.cell(row, 2).alignment.horizontal for row in (4, 5)] == ["left", "right"]
