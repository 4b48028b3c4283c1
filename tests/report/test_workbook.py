"""The workbook as a spreadsheet program reads it."""

from dataclasses import replace

import openpyxl
import pandas as pd
import pytest

from tests.report.invented import HOSTILE_FORMULA, NOT_WORTH, TIGHT_BUDGET, assessment
from yieldwatch.report.workbook import write_workbook


@pytest.fixture(scope="module")
def book(tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "work_list.xlsx"
    write_workbook(assessment(), path)
    return openpyxl.load_workbook(path)


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
    cost = column(sheet, "Cost, GBP")[0]
    assert (cost.value, cost.data_type) == (180, "n")
    assert "GBP" in cost.number_format
    assert column(sheet, "From")[0].is_date
    assert [cell.value for cell in column(sheet, "Do it")] == ["safety", "yes", "yes", "not now", "not now"]


def test_a_payback_that_never_comes_is_blank(book):
    assert column(book["Work list"], "slow end (90 %)")[3].value is None


def test_the_sheet_prints_on_a4_across_with_its_headings_on_every_page(book):
    sheet = book["Work list"]
    assert sheet.page_setup.orientation == "landscape"
    # ECMA-376, ST_PaperSize: 9 is A4.
    assert int(sheet.page_setup.paperSize) == 9
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    # ECMA-376, CT_PageSetup: fitToWidth is 1 where it is not written; a height of 0 is any number of pages.
    assert sheet.page_setup.fitToWidth in (None, 1)
    assert sheet.page_setup.fitToHeight == 0
    # Why and Caution are on the paper, the planner's own columns are not.
    assert sheet.print_area == "'Work list'!$A$1:$R$8"
    assert sheet.print_title_rows == "$1:$3"
    assert sheet.freeze_panes == "A4"
    assert sheet.auto_filter.ref == "A3:Y8"


def test_every_column_of_the_work_list_is_explained(book):
    heads = [cell.value for cell in book["Work list"][3]]
    explained = [row[0].value for row in book["What the columns mean"].iter_rows(min_row=2)]
    planned = [cell.value for cell in book["Plan of the year"][3]]
    assert explained == heads + [f"Plan: {head}" for head in planned]
    assert all(len(row[1].value) > 2 for row in book["What the columns mean"].iter_rows(min_row=2))


def test_jobs_turned_down_say_what_would_change_it(book):
    changes = column(book["Not now"], "Why not, and what would change it", head_row=1)
    assert [cell.value for cell in changes] == [TIGHT_BUDGET, NOT_WORTH]


def test_an_empty_work_list_says_so(tmp_path):
    write_workbook(replace(assessment(), work_list=pd.DataFrame()), tmp_path / "empty.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "empty.xlsx")["Work list"]
    assert sheet["A4"].value == "No job was found."
