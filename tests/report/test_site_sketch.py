"""The farm from above, on a crew's sheet."""

import re
from dataclasses import replace

from tests.report.invented import INVERTER, MODULE
from yieldwatch.portfolio.model import Inverter, String
from yieldwatch.report.site_sketch import place_in_row, site_sketch


def string(name, x_m, y_m, row=None, array="A", inverter="INV1"):
    return String(name, inverter, array, MODULE, 20, x_m=x_m, y_m=y_m, row=row)


#: Two rows of three, 20 m and 7 m apart.
ROWS = [string(f"S{n}{k}", 20.0 * k, 7.0 * n, f"R{n}", inverter=f"INV{n + 1}") for n in range(2) for k in range(3)]


def boxes(svg):
    """Of each string: x, y, width, height, colour."""
    return [(*map(float, box[:4]), box[4]) for box in re.findall(
        r'<rect x="([-.\d]+)" y="([-.\d]+)" width="([.\d]+)" height="([.\d]+)" fill="(#\w{6})"', svg)]


def test_strings_to_visit_stand_out_from_those_of_their_inverter_and_the_rest_and_are_named():
    svg = site_sketch(ROWS, {"S01"})
    colours = [colour for *_, colour in boxes(svg)]
    assert sorted(colours.count(c) for c in set(colours)) == [1, 2, 3]
    assert ">S01<" in svg
    assert ">R1<" in svg


def test_north_is_up_east_is_right_and_strings_do_not_lie_on_each_other():
    found = boxes(site_sketch(ROWS, {"INV1", "INV2"}))
    # 20 m of the row are longer than the 7 m between rows: strings reach along the row, nearly to the next.
    assert all(wide > high for _, _, wide, high, _ in found)
    (x0, y0, wide, high, _), *rest = found
    assert all(x >= x0 + wide - 0.2 or abs(x - x0) < 0.2 for x, *_ in rest)
    assert all(y <= y0 - high + 0.2 or abs(y - y0) < 0.2 for _, y, *_ in rest)


def test_arrays_whose_positions_overlap_are_drawn_apart_and_it_is_said():
    other = [string(f"T{k}", 20.0 * k + 1.0, 1.0, array="B") for k in range(3)]
    svg = site_sketch([*ROWS, *other], {"T1"})
    assert "arrays drawn apart" in svg
    (start, line), = re.findall(r'<text x="([.\d]+)" y="[.\d]+" font-size="5">(\d+ m; [^<]+)<', svg)
    # At a size of 5 a sign is 2.7 wide in the mean.
    assert float(start) + 2.7 * len(line) < float(re.search(r'viewBox="0 0 ([.\d]+)', svg)[1])
    found = boxes(svg)
    assert not any(abs(a[0] - b[0]) < a[2] - 0.2 and abs(a[1] - b[1]) < a[3] - 0.2
                   for n, a in enumerate(found) for b in found[:n])
    assert "apart" not in site_sketch(ROWS, {"S01"})


def test_nothing_is_drawn_without_positions_or_without_a_string_to_visit():
    assert site_sketch([string("S1", None, None), string("S2", None, None)], {"S1"}) == ""
    assert site_sketch(ROWS, {"site"}) == ""


def test_an_inverter_is_drawn_and_named_where_it_stands_beside_the_strings():
    west = [Inverter("INV1", INVERTER, x_m=-14.0, y_m=0.0), Inverter("INV2", INVERTER, x_m=-14.0, y_m=7.0)]
    svg = site_sketch(ROWS, {"S01"}, west)
    ((x, wide),) = re.findall(r'<rect x="([.\d]+)" y="[.\d]+" width="(3)" height="3" fill="#111"', svg)
    assert float(x) + float(wide) < min(box[0] for box in boxes(svg))
    assert ">INV1<" in svg
    # The other is not of this visit.
    assert ">INV2<" not in svg
    # Where arrays had to be moved its place would be wrong.
    other = [string(f"T{k}", 20.0 * k + 1.0, 1.0, array="B") for k in range(3)]
    assert ">INV1<" not in site_sketch([*ROWS, *other], {"S01"}, west)


def test_the_words_beside_the_scale_are_not_cut_off_on_a_narrow_farm():
    trackers = [string(f"S{k}", 0.0, 22.0 * k, "T") for k in range(6)]
    svg = site_sketch(trackers, {"S0"})
    width = float(re.search(r'viewBox="0 0 ([.\d]+)', svg)[1])
    x, said = re.search(r'<text x="([.\d]+)" y="[.\d]+" font-size="5">([^<]+)<', svg).groups()
    # Letters of the sheet's font are at most 0.6 of its size wide in the mean.
    assert float(x) + 0.6 * 5.0 * len(said) <= width


def test_one_row_and_a_row_askew_are_drawn_with_strings_of_a_size():
    for strings in ([string(f"S{k}", 20.0 * k, 0.0) for k in range(4)], [string(f"S{k}", 15.0 * k, 12.0 * k) for k in range(4)]):
        found = boxes(site_sketch(strings, {"S0"}))
        assert all(wide > 4 and high > 1 for _, _, wide, high, _ in found)


def test_names_are_text():
    assert "<b>" not in site_sketch([string("S1", 0.0, 0.0, "<b>1"), string("S2", 20.0, 0.0, "<b>1")], {"S1"})


def test_a_place_in_a_row_is_counted_from_its_west_or_south_end():
    assert place_in_row(ROWS, ROWS[5]) == "3 of 3 from the west"
    trackers = [string(f"S{k}", 0.0, 22.0 * k, "T") for k in range(4)]
    assert place_in_row(trackers, trackers[1]) == "2 of 4 from the south"
    assert place_in_row(ROWS[:1], ROWS[0]) == ""
    # Another array's row of the same name is another row.
    other = [string(f"T{k}", 1.0 * k, 90.0, "R1", "B") for k in range(9)]
    assert place_in_row([*ROWS, *other], ROWS[5]) == "3 of 3 from the west"
    assert place_in_row([*ROWS, string("S", None, None, "R1")], ROWS[5]) == ""


def test_names_of_strings_side_by_side_lie_over_no_other_name_and_no_string_to_visit():
    row = [string(f"INV1.{k}.1", 21.0 * k, 7.0 * n, f"R{n}", inverter=f"INV{n + 1}") for n in range(4) for k in range(6)]
    row = [replace(s, string_id=f"{s.inverter_id}{s.string_id[4:]}") for s in row]
    aimed = {f"INV2.{k}.1" for k in (0, 1, 2, 3, 5)}
    svg = site_sketch(row, aimed)
    names = [tuple(map(float, box)) for box in re.findall(
        r'<rect x="([-.\d]+)" y="([-.\d]+)" width="([.\d]+)" height="([.\d]+)" fill="#fff"', svg)]
    marks = [box[:4] for box in boxes(svg) if box[4] == "#B4540A"]
    assert len(marks) == len(aimed)
    assert len(names) == svg.count('font-weight="bold"') == len(aimed)

    def over(a, b):
        return min(a[0] + a[2], b[0] + b[2]) - max(a[0], b[0]) > 0.3 and min(a[1] + a[3], b[1] + b[3]) - max(a[1], b[1]) > 0.3

    assert not any(over(a, b) for n, a in enumerate(names) for b in (*names[:n], *marks))
