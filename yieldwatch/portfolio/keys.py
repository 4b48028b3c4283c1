"""
The keys of portfolio.toml and site.toml: type, unit, possible range and meaning.
"""

from __future__ import annotations

from yieldwatch.columns import OPTIONAL, VALUE, Column
from yieldwatch.constants import CAUSES


def _number(name: str, unit: str, low: float | None, high: float | None, meaning: str,
            need: str = OPTIONAL) -> Column:
    return Column(name, "number", meaning, need, unit, low, high)


def _numbers(name: str, unit: str, low: float | None, high: float | None, meaning: str,
             need: str = OPTIONAL) -> Column:
    return Column(name, "numbers", meaning, need, unit, low, high)


def _choice(name: str, choices: tuple[str, ...], meaning: str, need: str = OPTIONAL) -> Column:
    return Column(name, "choice", meaning, need, choices=choices)


def _table(name: str, meaning: str) -> Column:
    return Column(name, "table", meaning)


PORTFOLIO = (
    Column("format", "integer", "Version of the folder's format", VALUE, low=1, high=1),
    Column("name", "text", "Name of the portfolio", VALUE),
    Column("currency", "text", "Currency of all money, ISO 4217", VALUE),
    _number("discount_rate", "per year", 0, 1, "Nominal discount rate, a fraction", VALUE),
    _number("works_budget", "money/year", 0, None, "Most that jobs may cost in a year"),
    _number("crew_days", "days/year", 0, None, "Most crew days in a year"),
    Column("horizon_months", "integer", "Time over which a job's npv counts", unit="months", low=1, high=600),
    Column("days_off", "tables", "Days on which no crew works at any site"),
)

SITE = (
    Column("id", "id", "The site's identifier, the name of its folder", VALUE),
    Column("name", "text", "The site's name", VALUE),
    _number("latitude", "°", -90, 90, "Latitude, north positive", VALUE),
    _number("longitude", "°", -180, 180, "Longitude, east positive", VALUE),
    _number("altitude_m", "m", -450, 6000, "Height above sea level", VALUE),
    Column("timezone", "text", "IANA time zone", VALUE),
    Column("commissioned", "date", "First day of operation", VALUE),
    _number("area_hectare", "ha", 0, 10000, "Area to keep cut"),
    _number("hedge_metres", "m", 0, 1e5, "Length of hedge to keep cut"),
    Column("address", "text", "Where crews drive to; goes on crew sheets and into the calendar"),
    Column("access", "text", "How crews get in: gate, keys, notice to give, what not to drive on"),
    Column("contact", "text", "Whom crews call on the day"),
    Column("directions", "text", "The way there: main road, last turnings, what a lorry cannot pass"),
    _number("gate_latitude", "°", -90, 90, "Latitude of the gate that crews use, north positive"),
    _number("gate_longitude", "°", -180, 180, "Longitude of that gate, east positive"),
    Column("isolation", "text", "Where the plant is switched off, AC and DC, and who holds the keys"),
    Column("cables", "text", "Where buried and overhead cables run, as far as known"),
    Column("emergency", "text", "Whom to call, where to meet, the nearest hospital"),
    Column("drawings", "tables", "Plans and maps that crews take along"),
    Column("public_holidays", "text", "Whose public holidays crews keep: a country or region by ISO 3166, as IE or DE-BY"),
    Column("days_off", "tables", "Days on which no crew works at this site"),
    _table("data", "How the files are to be read"),
    _table("grid", "Standing limits at the connection"),
    _table("assumed_losses_pct", "Design losses"),
    Column("arrays", "tables", "Planes of modules", VALUE),
    _table("horizon", "Far horizon"),
    _table("plan", "What was promised at purchase"),
    Column("tariffs", "tables", "What energy is paid"),
    Column("guarantees", "tables", "What the maintenance contract guarantees"),
    _table("assumptions", "Defaults replaced for this site"),
)

DAYS_OFF = (
    Column("first", "date", "First day", VALUE),
    Column("last", "date", "Last day; without it the first alone"),
    Column("why", "text", "What they are; stands in the plan and on crew sheets"),
)
#: What a drawing can show, in the order in which crews need it.
DRAWN = ("cable_plan", "single_line", "layout", "road_map", "other")
DRAWING = (
    Column("file", "text", "Its file below the site's folder: a picture (JPEG, PNG, WebP) or a PDF", VALUE),
    _choice("shows", DRAWN, "What it shows", VALUE),
    Column("as_of", "date", "Day up to which it is true"),
    Column("note", "text", "What whoever reads it must know"),
)
LABELS = ("start", "middle", "end")
DATA = (
    _table("interval_label", "Where in its interval a row's time lies, by kind of file"),
    Column("poa_array", "id", "The array in whose plane weather's poa_global is"),
    _choice("meter", ("export", "generation"), "Where the revenue meter sits"),
    _choice("light_from", ("sensor", "service"), "Whether weather's light was measured at the farm or modelled by a service; "
            "without it a service where beam and diffuse light come with none in the array plane"),
)
GRID = (
    _number("export_limit_kw", "kW", 0, 1e6, "Standing export limit"),
    _number("power_factor", "", 0.5, 1, "Standing power factor obligation"),
)
ASSUMED_LOSSES = (
    _number("dc_wiring", "%", 0, 20, "Loss in DC cables"),
    _number("ac_wiring", "%", 0, 20, "Loss in AC cables"),
    _number("transformer", "%", 0, 20, "Loss in transformers"),
    _number("mismatch", "%", 0, 20, "Loss by modules of unlike power in a string"),
)
FIXED_ONLY = ("tilt_deg", "azimuth_deg")
AXIS_ONLY = ("axis_azimuth_deg", "axis_tilt_deg", "max_angle_deg", "backtrack")
ARRAY = (
    Column("id", "id", "The array's identifier", VALUE),
    _choice("mount", ("fixed", "single_axis"), "How the modules are held", VALUE),
    _number("tilt_deg", "°", 0, 90, "Tilt from horizontal (fixed)"),
    _number("azimuth_deg", "°", 0, 360, "Direction faced, clockwise from north (fixed)"),
    _number("axis_azimuth_deg", "°", 0, 360, "Direction of the axis, clockwise from north (single axis)"),
    _number("axis_tilt_deg", "°", 0, 45, "Tilt of the axis (single axis); 0"),
    _number("max_angle_deg", "°", 1, 90, "Furthest turn from horizontal (single axis)"),
    Column("backtrack", "flag", "Whether rows turn back to keep out of each other's shade (single axis)"),
    _number("pitch_m", "m", 0.1, 100, "Row to row"),
    _number("collector_width_m", "m", 0.1, 50, "Width of a row's glass across the row"),
    _number("albedo", "", 0, 1, "Share of light that the ground reflects"),
    _choice("module_orientation", ("portrait", "landscape"), "Way the modules lie"),
    _number("lower_edge_m", "m", 0, 20, "Lowest glass above ground"),
)
HORIZON = (
    _numbers("azimuth_deg", "°", 0, 360, "Directions, clockwise from north", VALUE),
    _numbers("elevation_deg", "°", 0, 90, "Height of the horizon there", VALUE),
)
PLAN = (
    _numbers("p50_kwh_by_month", "kWh", 0, None, "Planned energy, January to December"),
    _numbers("insolation_kwh_m2_by_month", "kWh/m²", 0, 400, "Planned insolation in the array plane"),
    _numbers("temp_air_c_by_month", "°C", -50, 50, "Planned air temperature"),
    _numbers("price_per_kwh_by_year", "money/kWh", None, None, "Planned price of each year"),
    _number("p90_over_p50", "", 0.1, 1, "Energy exceeded in nine years of ten over that of five in ten"),
    _number("capital_cost", "money", 0, None, "Price of the farm"),
    _number("operating_cost_per_year", "money/year", 0, None, "Planned cost of running it"),
    _number("life_years", "years", 1, 100, "Planned life"),
    _number("degradation_pct_per_year", "%/year", 0, 10, "Planned ageing"),
)
TARIFF = (
    Column("from", "date", "First day", VALUE),
    Column("to", "date", "Day after the last"),
    _choice("kind", ("fixed", "time_of_use", "market"), "How the price is set", VALUE),
    _number("price_per_kwh", "money/kWh", None, None, "Price; for time_of_use, outside every band"),
    _number("index_pct_per_year", "%/year", -50, 100, "Rise at each anniversary of `from`"),
    _number("curtailment_paid_pct", "%", 0, 100, "Share of the price paid while held down"),
    _number("import_price_per_kwh", "money/kWh", None, None, "What own use saves"),
    _number("floor_price", "money/kWh", None, None, "Least price of a market tariff"),
    Column("bands", "tables", "Times of another price (time_of_use)"),
)
BAND = (
    Column("days", "text", "Days such as mon-fri or sat,sun", VALUE),
    Column("start", "text", "Local wall time HH:MM", VALUE),
    Column("end", "text", "Local wall time HH:MM, 24:00 for midnight", VALUE),
    _number("price_per_kwh", "money/kWh", None, None, "Price in the band", VALUE),
)
GUARANTEE = (
    _choice("kind", ("availability", "performance_ratio"), "What is guaranteed", VALUE),
    _number("value_pct", "%", 0, 100, "Guaranteed value", VALUE),
    _number("damages_per_pct", "money/year", 0, None, "Money for each percentage point short", VALUE),
    _number("cap", "money/year", 0, None, "Most that is paid in a year"),
    Column("excludes", "texts", "Causes that do not count", choices=CAUSES),
    Column("from", "date", "First day"),
    Column("to", "date", "Day after the last"),
)
ASSUMPTION = (
    _number("value", "", None, None, "The value to use", VALUE),
    Column("source", "text", "Where it comes from", VALUE),
    Column("as_of", "date", "Day on which it held"),
)
#: What a site can replace by name; the defaults stand where they are used.
ASSUMPTIONS = (
    _number("cleaning_takes_off_share", "", 0, 1, "Share of the washable dirt that a clean takes off"),
    _number("lasting_dirt_returns_years", "years", 0.01, 100, "Years in which lasting dirt comes back"),
    _number("droppings_return_years", "years", 0.01, 100, "Years in which droppings on single strings come back"),
    _number("cut_cures_share", "", 0, 1, "Share of the shade that a cut takes away"),
    _number("vegetation_returns_years", "years", 0.01, 100, "Years in which a hedge grows back by 63 %"),
    _number("grass_returns_days", "days", 1, 3660, "Days in which grass grows back by 63 %"),
    _number("coldest_morning_c", "°C", -90, 60, "Air temperature of the coldest morning"),
    _number("price_after_tariff_per_kwh", "money/kWh", None, None, "Price once the last tariff has ended"),
    _number("due_window_days", "days", 1, 3660, "Days in which a job without a season is to be done"),
    _number("meter_class_pct", "%", 0.01, 10, "Class of the revenue meter: its limit of error"),
    _number("claim_notice_days", "days", 1, 3660, "Days after a contract year, or an event, in which a claim is to be made"),
    _number("insurance_excess", "money", 0, None, "What the insurance leaves to the owner of each event"),
    _number("nesting_from_month", "month", 1, 12, "First month in which hedges are not cut"),
    _number("nesting_to_month", "month", 1, 12, "Last month in which hedges are not cut"),
    _number("least_daylight_h", "h", 0, 24, "Daylight that a day's work in the open needs"),
    _number("least_test_light_w_m2", "W/m²", 0, 1500, "Light in the array plane that a test after a repair needs"),
    _number("least_trace_light_w_m2", "W/m²", 0, 1500, "Light in the array plane that an I-V trace or a clamp reading needs"),
    _number("logger_cost", "money", 0, None, "What fitting an interval log would cost"),
    _number("least_cleaning_c", "°C", -50, 50, "Daytime air temperature below which nobody washes"),
    _number("most_wind_m_s", "m/s", 0, 60, "Daytime wind above which nobody washes or cuts"),
)
