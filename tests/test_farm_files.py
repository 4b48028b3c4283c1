"""What the generator writes: readings of a farm, a population of them, and the sample portfolio."""

import datetime as dt
import tomllib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from PIL import Image

from tests.farm.drawings import draw_cable_plan
from tests.farm.future import job_gains
from tests.farm.instruments import iv_round
from tests.farm.layout import strings_of
from tests.farm.logs import meter, power_log, station_weather, string_currents
from tests.farm.plain import plain
from tests.farm.population import draw_farm
from tests.farm.sample import drumlin, sample
from tests.farm.settings import PortfolioSpec
from tests.farm.simulate import build, truth
from tests.farm.spec import ArraySpec, Block, Curtailment, Degradation, Instruments, Outages, Soiling, StringFault
from tests.farm.write import events, write_portfolio
from yieldwatch.book.store import FILE_NAME
from yieldwatch.expected.power import row_places
from yieldwatch.portfolio.read import read_portfolio

HERE = Path(__file__).parent


def test_an_iv_round_reads_what_the_strings_are():
    quiet = Instruments(iv_light_bias=0.0, iv_bad_light=0.0)
    spec = plain(
        StringFault("INV1.1.1", "open", dt.date(2020, 1, 1)),
        StringFault("INV1.1.2", "wrong_count", dt.date(2020, 1, 1), 1),
        StringFault("INV1.2.1", "series_resistance", dt.date(2020, 1, 1), 5.0),
        instruments=quiet,
    )
    rows, _ = iv_round(build(spec), 1, dt.date(2023, 6, 1))
    by = rows.set_index("string_id")
    peer = by.loc[["INV2.1.1", "INV2.1.2", "INV2.2.1", "INV2.2.2"]].mean(numeric_only=True)
    assert by.loc["INV1.1.1", "p_mp_w"] == 0
    assert by.loc["INV1.1.1", "v_oc_v"] < 0.02 * peer["v_oc_v"]
    # 19 of 20 modules: 0.95 of the voltage; the tester's voltage noise is 0.2 %, 1 °C is 0.3 %.
    assert by.loc["INV1.1.2", "v_oc_v"] / peer["v_oc_v"] == pytest.approx(0.95, abs=0.012)
    # 5 ohm times some 8 to 10 A is 40 to 50 V of some 750 V.
    assert by.loc["INV1.2.1", "v_mp_v"] / peer["v_mp_v"] == pytest.approx(0.94, abs=0.02)
    assert by.loc["INV1.2.1", "v_oc_v"] / peer["v_oc_v"] == pytest.approx(1.0, abs=0.012)
    assert rows["poa_global_w_m2"].min() > 600


def test_the_power_log_is_the_farm_seen_through_its_logger():
    perfect = Instruments(logger_gain=0.0, gaps_per_year=0.0, stuck_per_year=0.0, repeats_per_year=2.0)
    farm = build(plain(instruments=perfect, days=60))
    result = truth(farm)
    log = power_log(farm, result)
    assert log.duplicated().any()
    energy = log.drop_duplicates(["time", "inverter_id"])["ac_power_kw"].sum() * 0.25
    # AC wiring 0.5 % and transformer 0.8 % stand between the inverters and the meter; noise averages out.
    assert result.exported.sum() == pytest.approx(energy * 0.995 * 0.992, rel=3e-4)
    currents = string_currents(farm, result).groupby("string_id")["dc_current_a"].sum()
    assert currents.max() / currents.min() < 1.03  # equal strings, each clamp within 0.6 % (one sigma)


def test_a_monthly_meter_covers_the_history_and_a_station_keeps_the_poa():
    fit = Instruments(
        meter="monthly", meter_gain=0.0, light_bias=0.0, light_drift_year=0.0, gaps_per_year=0.0
    )
    farm = build(plain(instruments=fit))
    result = truth(farm)
    read_kwh = meter(farm, result)["energy_kwh"].sum()
    assert read_kwh == pytest.approx(result.exported.sum(), abs=2)  # to 1 kWh each
    read = station_weather(farm)["poa_global_w_m2"].to_numpy()[farm.lit]
    assert read.mean() == pytest.approx(farm.sensor_plane.poa_global.mean(), rel=2e-3)


def test_only_the_recorded_part_is_written_down():
    mixed = build(plain(Curtailment(60.0, 0.5), Soiling(cleanings=((dt.date(2023, 6, 5), "INV1", 200.0),))))
    noted = events(mixed)
    assert (noted["kind"] == "curtailment").sum() == sum(
        s.recorded for s in mixed.spells if s.kind == "curtailment"
    )
    assert not all(s.recorded for s in mixed.spells)
    assert (noted["kind"] == "cleaning").sum() == 1


def _bytes(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_same_seed_writes_the_same_bytes_and_another_does_not(tmp_path):
    farm = plain(
        Soiling(0.1),
        Degradation(),
        Outages(),
        days=40,
        instruments=Instruments(iv_rounds=(dt.date(2023, 5, 20),)),
    )
    for name, spec in (("a", farm), ("b", farm), ("c", replace(farm, seed=12))):
        write_portfolio(tmp_path / name, tmp_path / name / "truth", PortfolioSpec("P", (spec,)))
    first, again, other = (_bytes(tmp_path / n) for n in "abc")
    assert first == again
    assert first["sites/plain/weather.parquet"] != other["sites/plain/weather.parquet"]


def test_repairing_the_open_string_brings_back_its_share():
    farm = build(plain(StringFault("INV1.1.1", "open", dt.date(2020, 1, 1))))
    gains = job_gains(farm, 1)
    after = replace(farm.spec, start=farm.spec.end, end=dt.date(2024, 6, 30), mechanisms=(), draw=1)
    # An eighth of a whole year's energy with nothing wrong, in the same weather to come.
    assert gains["gain_kwh_12m"].tolist() == pytest.approx([truth(build(after)).exported.sum() / 8], rel=0.01)
    assert gains["cost"].tolist() == [190.0 + 85.0]  # a visit and one string


# ---- population and sample ----------------------------------------------------------------------


def test_the_population_is_varied():
    farms = [draw_farm(seed) for seed in range(120)]
    assert {f.climate for f in farms} == {"maritime", "dry_summer", "subtropical", "continental"}
    assert {f.latitude > 0 for f in farms} == {True, False}
    assert {a.mount for f in farms for a in f.arrays} == {"fixed", "single_axis"}
    assert {f.instruments.weather for f in farms} == {"station", "ghi", "poa", "modelled"}
    assert {f.instruments.log_minutes for f in farms} == {None, 5, 15, 30, 60}
    assert {x.kind for f in farms for x in f.all_of(StringFault)} >= {
        "open",
        "bypass_short",
        "shunt",
        "current_low",
    }
    healthy = sum(set(f.causes) <= {"degradation", "unexplained", "soiling", "snow"} for f in farms)
    assert 5 < healthy < 60


@pytest.mark.parametrize("seed", [3, 9])
def test_a_drawn_farm_writes_a_portfolio_whose_truth_closes(tmp_path, seed):
    spec = draw_farm(seed, years=1)
    write_portfolio(tmp_path, tmp_path / "truth", PortfolioSpec("P", (spec,)))
    expected = pd.read_csv(tmp_path / "truth" / "expected.csv")
    losses = pd.read_csv(tmp_path / "truth" / "losses.csv").groupby("month")["energy_kwh"].sum()
    gap = (expected["expected_kwh"] - expected["exported_kwh"]).to_numpy()
    assert losses.to_numpy() == pytest.approx(gap, abs=1e-4)  # written to 1e-6 kWh, a dozen causes
    strings = pd.read_csv(tmp_path / "sites" / spec.id / "strings.csv")
    for path in (tmp_path / "sites" / spec.id / "readings" / "iv").glob("*.csv"):
        assert set(pd.read_csv(path)["string_id"]) <= set(strings["string_id"])
    assert len(strings) == len(strings_of(spec)) == strings["string_id"].nunique()


def _same_table(path: Path, other: Path) -> None:
    read = pd.read_parquet if path.suffix == ".parquet" else pd.read_csv
    # Another machine's last digits may differ; nothing that anyone would read may.
    pd.testing.assert_frame_equal(read(path), read(other), rtol=1e-4, atol=1e-6)


def test_the_sample_portfolio_is_what_its_generator_writes(tmp_path):
    kept = HERE.parent / "sample_portfolio"
    write_portfolio(tmp_path, tmp_path / "truth", sample())
    files = {p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file()}
    there = {p.relative_to(kept) for p in kept.rglob("*") if p.is_file()}
    # A run of the README's first command leaves the job book there.
    assert files | {Path("truth/jobs.csv")} == there - {Path(FILE_NAME)}
    for name in sorted(files):
        if name.suffix in (".csv", ".parquet"):
            _same_table(kept / name, tmp_path / name)
    assert (kept / "portfolio.toml").read_text() == (tmp_path / "portfolio.toml").read_text()
    for site in sorted((kept / "sites").iterdir()):
        assert tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))["id"] == site.name


def test_crews_of_every_sample_farm_keep_its_holidays_and_its_drawings_fuses_and_torques_are_there():
    portfolio = read_portfolio(HERE.parent / "sample_portfolio")
    assert {s.id: s.public_holidays for s in portfolio.sites} == {
        "drumlin": "IE", "kelter": "DE-BY", "terrajal": "ES-MC", "varzea": "PT"}
    drawings = [d for s in portfolio.sites for d in s.drawings]
    assert [d.shows for d in drawings] == ["cable_plan", "single_line"]
    held = next(s for s in portfolio.sites if s.id == "drumlin")
    assert {s.fuse_a for s in held.strings} == {20.0}
    assert {(i.inverter_type.dc_torque_nm, i.inverter_type.ac_torque_nm) for i in held.inverters} == {(3.0, 20.0)}
    assert not any("drawings" in notice for notice in portfolio.notices)


def test_a_cable_plan_is_the_same_bytes_each_time_and_nothing_is_cut_off_at_its_right(tmp_path):
    spec = drumlin()
    farm = SimpleNamespace(spec=spec, units=strings_of(spec))
    for name in ("a.png", "b.png"):
        draw_cable_plan(farm, tmp_path / name)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    with Image.open(tmp_path / "a.png") as image:
        assert {image.getpixel((image.width - 1, y)) for y in range(image.height)} == {(255, 255, 255)}


def test_the_sample_portfolio_is_small():
    kept = HERE.parent / "sample_portfolio"
    assert sum(p.stat().st_size for p in kept.rglob("*") if p.is_file()) < 9e6


def test_the_first_row_of_a_turned_array_stands_free_and_its_places_say_so(tmp_path):
    arrays = (ArraySpec("A", azimuth=150.0, pitch_m=6.0), ArraySpec("B", azimuth=250.0, pitch_m=6.0))
    blocks = tuple(Block(f"INV{k}", "I", a, "M", 2, 2, 20) for k, a in ((1, "A"), (2, "B"), (3, "A")))
    spec = plain(arrays=arrays, blocks=blocks, strings_per_row=3, days=3, start=dt.date(2022, 12, 10), end=dt.date(2022, 12, 13))
    ((farm, _),) = write_portfolio(tmp_path / "p", tmp_path / "t", PortfolioSpec("P", (spec,), works_budget=None))
    (site,) = read_portfolio(tmp_path / "p").sites
    assert {u.id: "front" if u.front else "inner" for u in farm.units} == row_places(site)
    assert sum(u.front for u in farm.units) == 6
    for array in "AB":
        assert farm.planes[array, True].beam.sum() > 1.05 * farm.planes[array, False].beam.sum(), "a low sun in December"
        assert np.array_equal(farm.planes[array, True].poa_global, farm.planes[array, False].poa_global)
