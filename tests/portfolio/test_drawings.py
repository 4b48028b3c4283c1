"""Plans and maps that crews take along."""

from __future__ import annotations

import pytest

from tests.portfolio.folder import SITE, SITE_FILE, with_site, write_portfolio
from yieldwatch.errors import PortfolioError
from yieldwatch.portfolio.drawings import drawing_file
from yieldwatch.portfolio.read import read_portfolio


def drawn(*items):
    """The site's settings with these drawings, each (file, shows)."""
    return {SITE_FILE: SITE + "".join(f'[[drawings]]\nfile = "{f}"\nshows = "{s}"\n' for f, s in items)}


def test_drawings_are_kept_in_the_order_in_which_crews_need_them(tmp_path):
    files = {f"sites/field/{n}": b"x" for n in ("d/way.png", "d/cables.pdf")}
    both = drawn(("d/way.png", "road_map"), ("d/cables.pdf", "cable_plan"))
    portfolio = read_portfolio(write_portfolio(tmp_path, {**both, **files}))
    assert [d.file for d in portfolio.sites[0].drawings] == ["sites/field/d/cables.pdf", "sites/field/d/way.png"]
    assert portfolio.notices == ()
    assert drawing_file(tmp_path, "sites/field/d/way.png") == tmp_path / "sites/field/d/way.png"


def test_a_drawing_that_is_not_there_is_noticed_and_stops_nothing(tmp_path):
    portfolio = read_portfolio(write_portfolio(tmp_path, drawn(("gone.png", "layout"))))
    assert len(portfolio.sites[0].drawings) == 1
    assert "sites/field/gone.png is not there, so crew sheets say that it is missing" in portfolio.notices[0]


@pytest.mark.parametrize("name", ["../other/plan.png", "/etc/plan.png", "a/../../plan.png", "..\\\\plan.png", "C:/plan.png"])
def test_a_drawing_outside_the_sites_folder_is_refused(tmp_path, name):
    with pytest.raises(PortfolioError, match="not below the site's folder"):
        read_portfolio(write_portfolio(tmp_path, drawn((name, "layout"))))


def test_a_link_that_leads_out_of_the_sites_folder_is_as_if_it_were_not_there(tmp_path):
    root = write_portfolio(tmp_path / "portfolio", drawn(("plan.png", "layout")))
    (tmp_path / "secret.png").write_bytes(b"x")
    (root / "sites/field/plan.png").symlink_to(tmp_path / "secret.png")
    assert drawing_file(root, "sites/field/plan.png") is None
    assert "is not there" in read_portfolio(root).notices[0]


@pytest.mark.parametrize(("changes", "said"), [
    (drawn(("plan.dwg", "layout")), 'file = "plan.dwg", of a kind that no sheet can show'),
    (drawn(("plan.png", "cables")), 'shows = "cables", not known'),
    (with_site("commissioned", "gate_latitude = 51.2\ncommissioned"), "has one of gate_latitude and gate_longitude"),
])
def test_what_cannot_be_taken_along_is_said(tmp_path, changes, said):
    with pytest.raises(PortfolioError, match=said):
        read_portfolio(write_portfolio(tmp_path, changes))


def test_what_crews_are_told_reaches_the_record(tmp_path):
    told = 'directions = "up the lane"\nemergency = "112"\nisolation = "kiosk"\ncables = "west"\n'
    changes = {
        **with_site("commissioned", f"{told}commissioned"),
        "sites/field/inverters.csv": "inverter_id,inverter_type,place,x_m,y_m\nINV1,T-10,gate post,-3,4.5\nINV2,T-10,,,\n",
        "sites/field/strings.csv": "string_id,inverter_id,mppt,array_id,module_type,modules_in_series,cable_route\n"
                                   "S1,INV1,1,A,M-400,15,tray\nS2,INV2,1,A,M-400,15,\n"}
    (site,) = read_portfolio(write_portfolio(tmp_path, changes)).sites
    assert (site.directions, site.emergency, site.isolation, site.cables) == ("up the lane", "112", "kiosk", "west")
    assert [(i.place, i.x_m, i.y_m) for i in site.inverters] == [("gate post", -3.0, 4.5), (None, None, None)]
    assert [s.cable_route for s in site.strings] == ["tray", None]
