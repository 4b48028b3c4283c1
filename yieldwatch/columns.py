"""
The vocabulary: every table of format 1 and every column in it.

Readers validate from these records and the glossary is generated from them, so
a unit, a possible range or a meaning is written in one place only. The ranges
say what is physically possible, not what is usual: a value outside cannot be a
reading, a value inside may still be doubted by a later stage. Where nothing
else is said, a range is a plausibility border (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from yieldwatch.constants import JOB_KINDS

#: The column must be there and each row must have a value.
VALUE = "value"
#: The column must be there; a cell may be blank.
COLUMN = "column"
#: The column may be missing. A bad cell is set aside alone, the rest of its row is used.
OPTIONAL = "optional"

EVENT_KINDS = (
    "cleaning", "vegetation_cut", "repair", "replacement", "outage",
    "curtailment", "snow_cleared", "sensor_cleaned", "inspection",
)
COST_UNITS = ("module", "string", "inverter", "hectare", "metre", "visit")
#: Share of rated AC power, in per cent, at which a datasheet gives the efficiency.
EFFICIENCY_POINTS = (5, 10, 20, 30, 50, 75, 100)


@dataclass(frozen=True)
class Column:
    """
    One column of a table, or one key of the settings.

    Attributes
    ----------
    name : str
        As in the file, with its unit.
    kind : str
        "number", "integer", "text", "id", "flag", "choice", "time"; in settings also "date",
        "numbers", "texts", "table", "tables".
    meaning : str
    need : str
        `VALUE`, `COLUMN` or `OPTIONAL`.
    unit : str
        Empty for what has none.
    low, high : float or None
        The possible range, borders included.
    of : str
        What the range is a multiple of, in words; the table's own reader holds the values against it. Empty where the range is
        in the column's unit.
    choices : tuple of str
        What a "choice" can be.
    inside : str
        The name inside the code, pvlib's where pvlib has one; empty where it is `name`.
    aliases : tuple of str
        Other names read as the same.
    """

    name: str
    kind: str
    meaning: str
    need: str = OPTIONAL
    unit: str = ""
    low: float | None = None
    high: float | None = None
    of: str = ""
    choices: tuple[str, ...] = ()
    inside: str = ""
    aliases: tuple[str, ...] = ()

    @property
    def code_name(self) -> str:
        return self.inside or self.name

    @property
    def said_unit(self) -> str:
        """The unit beside a figure in a message; of a sum of money none, for it is in the portfolio's currency."""
        return "" if self.unit == "money" else self.unit

    @property
    def expected(self) -> str:
        """What a valid value looks like, in words: "0 to 2000 W/m²"."""
        if self.choices:
            return "one of " + ", ".join(sorted(self.choices))
        if self.kind not in ("number", "integer", "numbers"):
            return {"id": "letters, digits, -, _ and .", "flag": "true or false",
                    "time": "ISO 8601, such as 2024-06-30T13:45:00+02:00",
                    "date": "a date such as 2024-06-30"}.get(self.kind, self.kind)
        what = "a whole number" if self.kind == "integer" else "a number"
        unit = f" {f'times {self.of}' if self.of else self.said_unit}".rstrip()
        return {
            (True, True): f"{_short(self.low)} to {_short(self.high)}{unit}",
            (True, False): f"{_short(self.low)}{unit} or more",
            (False, True): f"{_short(self.high)}{unit} or less",
            (False, False): f"{what}{f' of{unit}' if unit else ''}",
        }[(self.low is not None, self.high is not None)]


def _short(value: float | None) -> str:
    return "" if value is None else f"{value:g}" if abs(value) < 1e6 else f"{value:.0f}"


@dataclass(frozen=True)
class Table:
    """
    One table of format 1.

    Attributes
    ----------
    name : str
    place : str
        Path below the portfolio's folder without the ending; `{site}` stands for the site's folder.
    meaning : str
    columns : tuple of Column
    key : tuple of str
        File names of the columns that two rows cannot share.
    order_by : tuple of str
        Columns naming the series within which rows follow each other in time.
    """

    name: str
    place: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    order_by: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


def _number(name: str, unit: str, low: float | None, high: float | None, meaning: str,
            need: str = OPTIONAL, inside: str = "", aliases: tuple[str, ...] = ()) -> Column:
    return Column(name, "number", meaning, need, unit, low, high, inside=inside, aliases=aliases)


def _count(name: str, low: float, high: float, meaning: str, need: str = VALUE) -> Column:
    return Column(name, "integer", meaning, need, "", low, high)


def _id(name: str, meaning: str, need: str = VALUE) -> Column:
    return Column(name, "id", meaning, need)


def _text(name: str, meaning: str, need: str = OPTIONAL) -> Column:
    return Column(name, "text", meaning, need)


def _time(name: str, meaning: str, need: str = VALUE) -> Column:
    return Column(name, "time", meaning, need)


def _choice(name: str, choices: tuple[str, ...], meaning: str) -> Column:
    return Column(name, "choice", meaning, VALUE, choices=choices)


_MODULE_TYPES = Table("module_types", "module_types", "Module datasheets at 1000 W/m², 25 °C, AM1.5", (
    _id("module_type", "Name of the module type"),
    _text("technology", "Cell technology, such as mono-Si or CdTe", VALUE),
    _number("p_mp_w", "W", 1, 2000, "Power at the maximum power point", VALUE),
    _number("i_sc_a", "A", 0.1, 60, "Short-circuit current", VALUE),
    _number("v_oc_v", "V", 0.5, 500, "Open-circuit voltage", VALUE),
    _number("i_mp_a", "A", 0.1, 60, "Current at the maximum power point", VALUE),
    _number("v_mp_v", "V", 0.5, 500, "Voltage at the maximum power point", VALUE),
    _number("alpha_i_sc_pct_per_c", "%/°C", -0.2, 0.3, "Change of i_sc with temperature", VALUE),
    _number("beta_v_oc_pct_per_c", "%/°C", -1, 0, "Change of v_oc with temperature", VALUE),
    _number("gamma_p_mp_pct_per_c", "%/°C", -1, 0, "Change of p_mp with temperature", VALUE),
    _count("cells_in_series", 1, 400, "Cells that the module's voltage runs through"),
    _count("bypass_diodes", 0, 50, "Bypass diodes in the module"),
    _number("tolerance_minus_pct", "%", -20, 20, "Power that may be missing when new; sign ignored", VALUE),
    _number("tolerance_plus_pct", "%", 0, 20, "Power that there may be beyond nameplate when new", VALUE),
    _number("warranty_first_year_pct", "%", 50, 100, "Power warranted at the end of year 1"),
    _number("warranty_then_pct_per_year", "%/year", 0, 5, "What the warranty gives up each year after that"),
    _number("warranty_years", "years", 0, 60, "Years of power warranty"),
    _number("length_m", "m", 0.2, 4, "Long side of the module"),
    _number("width_m", "m", 0.2, 3, "Short side of the module"),
    Column("half_cut", "flag", "True where the cells are halved and the module has two parallel halves"),
    _number("bifaciality", "", 0, 1, "Rear power over front power at the same light; 0 if one-sided"),
    _number("max_system_voltage_v", "V", 100, 3000, "Highest string voltage that the module may see"),
    _number("clamp_torque_nm", "Nm", 0.1, 100, "Tightening torque of its clamps; goes on crew sheets"),
), ("module_type",))

_INVERTER_TYPES = Table("inverter_types", "inverter_types", "Inverter datasheets", (
    _id("inverter_type", "Name of the inverter type"),
    _number("ac_rated_kw", "kW", 0.1, 10000, "Rated real AC power", VALUE),
    _number("ac_rated_kva", "kVA", 0.1, 12000, "Rated apparent AC power", VALUE),
    _number("dc_max_kw", "kW", 0.1, 20000, "Highest DC power of the modules that may be connected", COLUMN),
    _count("mppt_inputs", 1, 200, "Tracker inputs"),
    _number("v_mppt_min_v", "V", 10, 3000, "Lowest tracking voltage", COLUMN),
    _number("v_mppt_max_v", "V", 10, 3000, "Highest tracking voltage", COLUMN),
    *(_number(f"eff_{p}_pct", "%", 50, 100, f"Efficiency at {p} % of rated AC power, nominal DC voltage")
      for p in EFFICIENCY_POINTS),
    _number("night_w", "W", 0, 5000, "Power drawn from the grid at night"),
    _number("warranty_years", "years", 0, 40, "Years of warranty"),
    _number("dc_torque_nm", "Nm", 0.1, 500, "Tightening torque of its DC terminals; goes on crew sheets"),
    _number("ac_torque_nm", "Nm", 0.1, 500, "Tightening torque of its AC terminals; goes on crew sheets"),
), ("inverter_type",))

_JOB_COSTS = Table("job_costs", "job_costs", "Cost of each kind of job; a site's own file wins row by row. "
                   "A claim is desk work: of its row cost_per_unit alone counts", (
    _choice("job_kind", JOB_KINDS, "Kind of job"),
    _number("cost_per_visit", "money", 0, None, "Mobilisation, shared by one crew's jobs of a visit", VALUE),
    _number("cost_per_unit", "money", 0, None, "Cost for each unit of work", VALUE),
    _choice("unit", COST_UNITS, "What a unit of work is"),
    _number("crew_hours_per_visit", "h", 0, 10000, "Crew hours for each visit", VALUE),
    _number("crew_hours_per_unit", "h", 0, 10000, "Crew hours for each unit of work", VALUE),
    _number("lead_days", "days", 0, 1000, "Days from order to work", VALUE),
), ("job_kind",))

_INVERTERS = Table("inverters", "sites/{site}/inverters", "The site's inverters", (
    _id("inverter_id", "Name of the inverter"),
    _id("inverter_type", "Its type, a row of inverter_types"),
    _text("serial", "Serial number"),
    _text("place", "Where it stands, in words; goes on crew sheets"),
    _number("x_m", "m", -1e5, 1e5, "East of the site's origin"),
    _number("y_m", "m", -1e5, 1e5, "North of the site's origin"),
), ("inverter_id",))

_STRINGS = Table("strings", "sites/{site}/strings", "The site's strings of modules", (
    _id("string_id", "Name of the string"),
    _id("inverter_id", "The inverter it feeds"),
    _id("mppt", "The tracker input it is on, 1 upward", OPTIONAL),
    _id("array_id", "The plane it lies in, an array of site.toml"),
    _id("module_type", "Type of its modules, a row of module_types"),
    _count("modules_in_series", 1, 200, "Modules in the string"),
    _number("x_m", "m", -1e5, 1e5, "East of the site's origin"),
    _number("y_m", "m", -1e5, 1e5, "North of the site's origin"),
    _text("row", "Name of the row of tables it stands in"),
    _number("fuse_a", "A", 0.5, 100, "Rating of its fuses, one in each pole; blank where it has none or that is not known"),
    _text("cable_route", "Where its cables run to the inverter; goes on crew sheets"),
), ("string_id",))

_WEATHER_COLUMNS = (
    _time("time", "Interval label"),
    _number("ghi_w_m2", "W/m²", -50, 2000, "Global horizontal irradiance", inside="ghi"),
    _number("dni_w_m2", "W/m²", -50, 1500, "Direct normal irradiance", inside="dni"),
    _number("dhi_w_m2", "W/m²", -50, 1500, "Diffuse horizontal irradiance", inside="dhi"),
    _number("poa_global_w_m2", "W/m²", -50, 2000, "Irradiance in the plane of poa_array",
            inside="poa_global"),
    _number("temp_air_c", "°C", -60, 65, "Air temperature", inside="temp_air"),
    _number("temp_module_c", "°C", -60, 120, "Module temperature", inside="temp_module"),
    _number("wind_speed_m_s", "m/s", 0, 100, "Wind speed", inside="wind_speed"),
    _number("precipitation_mm", "mm", 0, 500, "Rain and melted snow, sum in the interval",
            inside="precipitation"),
    _number("snow_depth_m", "m", 0, 20, "Depth of lying snow", inside="snow_depth"),
)
_WEATHER = Table("weather", "sites/{site}/weather", "Interval weather: station, satellite or reanalysis",
                 _WEATHER_COLUMNS, ("time",))
_WEATHER_2 = Table("weather_2", "sites/{site}/weather_2", "Second source of interval weather",
                   _WEATHER_COLUMNS, ("time",))

_EVENTS = Table("events", "sites/{site}/events", "What was done or happened, and when", (
    _id("event_id", "Name of the event"),
    _choice("kind", EVENT_KINDS, "Kind of event"),
    _time("start", "When it began"),
    _time("end", "When it ended; blank while open or for a moment", OPTIONAL),
    _text("scope", "`site`, or identifiers of inverters or strings separated by spaces", VALUE),
    _number("cost", "money", None, None, "What it cost"),
    _text("note", "Free text"),
), ("event_id",))

_PRICES = Table("prices", "sites/{site}/prices", "Market price of each interval", (
    _time("time", "Interval label"),
    _number("price_per_kwh", "money/kWh", None, None, "Price; may be negative", VALUE),
), ("time",))

_LOAD = Table("load", "sites/{site}/load", "What the site itself draws", (
    _time("time", "Interval label"),
    _number("load_kw", "kW", 0, 1e6, "Mean power in the interval", COLUMN),
), ("time",))

_STATEMENTS = Table("statements", "sites/{site}/statements", "What was settled and paid", (
    _time("start", "Start of the period"),
    _time("end", "End of the period, exclusive"),
    _number("energy_kwh", "kWh", None, None, "Energy settled; a correction may be negative", COLUMN),
    _number("amount", "money", None, None, "Money settled", COLUMN),
    _text("reference", "Number of the statement"),
), ("start", "end", "reference"))

_COSTS = Table("costs", "sites/{site}/costs", "What running the farm cost", (
    _time("date", "Day of the cost"),
    _number("amount", "money", None, None, "Money spent", VALUE),
    _text("kind", "What it was for"),
    _text("note", "Free text"),
), ("date", "amount", "kind", "note"))

_IV = Table("iv", "sites/{site}/readings/iv", "String IV summaries, one row a trace", (
    _time("time", "When the trace was taken"),
    _id("string_id", "The string traced"),
    _number("poa_global_w_m2", "W/m²", 0, 2000, "In-plane irradiance at the trace", COLUMN, "poa_global"),
    _number("temp_module_c", "°C", -60, 120, "Module temperature at the trace", COLUMN, "temp_module"),
    _number("i_sc_a", "A", -1, 100, "Short-circuit current", COLUMN, "i_sc"),
    _number("v_oc_v", "V", -5, 3000, "Open-circuit voltage", COLUMN, "v_oc"),
    _number("i_mp_a", "A", -1, 100, "Current at the maximum power point", COLUMN, "i_mp"),
    _number("v_mp_v", "V", -5, 3000, "Voltage at the maximum power point", COLUMN, "v_mp"),
    _number("p_mp_w", "W", -100, 1e5, "Power at the maximum power point", inside="p_mp"),
    _number("poa_global_end_w_m2", "W/m²", 0, 2000, "In-plane irradiance at the end of the trace",
            inside="poa_global_end"),
    _text("instrument", "The tester used"),
    _id("trace_id", "Name of the trace, to find its points in iv_curves", OPTIONAL),
    _text("note", "Free text"),
), ("time", "string_id", "trace_id"), ("string_id",))

_IV_CURVES = Table("iv_curves", "sites/{site}/readings/iv_curves", "Points of traced curves", (
    _id("trace_id", "The trace, a row of iv"),
    _number("v_v", "V", -50, 3000, "Voltage of the point", VALUE, "v"),
    _number("i_a", "A", -10, 100, "Current of the point", VALUE, "i"),
), ("trace_id", "v_v", "i_a"))

_CLAMP = Table("clamp", "sites/{site}/readings/clamp", "Inverter clamp readings, one row a reading", (
    _time("time", "When it was read"),
    _id("inverter_id", "The inverter read"),
    _id("mppt", "The tracker input read; blank for all inputs", OPTIONAL),
    _number("poa_global_w_m2", "W/m²", 0, 2000, "In-plane irradiance", inside="poa_global"),
    _number("temp_module_c", "°C", -60, 120, "Module temperature", inside="temp_module"),
    _number("dc_voltage_v", "V", 0, 3000, "DC voltage"),
    _number("dc_current_a", "A", -100, 20000, "DC current"),
    _number("dc_power_kw", "kW", -100, 20000, "DC power"),
    _number("ac_voltage_v", "V", 0, 50000, "AC voltage, line to line unless a phase is named"),
    _number("ac_current_a", "A", 0, 20000, "AC current of a phase"),
    _number("ac_power_kw", "kW", -100, 20000, "Real AC power"),
    _number("ac_apparent_kva", "kVA", 0, 20000, "Apparent AC power"),
    _number("ac_reactive_kvar", "kVAr", -20000, 20000, "Reactive AC power"),
    _number("power_factor", "", -1, 1, "Real over apparent power"),
    Column("phase", "choice", "The phase read; blank for all three", choices=("1", "2", "3")),
    _text("instrument", "The meter used"),
    _text("note", "Free text"),
), ("time", "inverter_id", "mppt", "phase"), ("inverter_id", "mppt", "phase"))

_METER = Table("meter", "sites/{site}/readings/meter", "Revenue meter, energy of each period", (
    _time("start", "Start of the period"),
    _time("end", "End of the period, exclusive"),
    _number("energy_kwh", "kWh", 0, None, "Energy in the period", VALUE, aliases=("export_kwh",)),
), ("start", "end"))

_RATING = "the inverter's kVA rating"
_POWER = Table("power", "sites/{site}/readings/power", "Interval log of each inverter", (
    _time("time", "Interval label"),
    _id("inverter_id", "The inverter logged"),
    _id("mppt", "The tracker input logged; blank for the whole inverter", OPTIONAL),
    # An inverter may overshoot its rating for moments, its interval mean hardly; at night it and its transformer draw little.
    Column("ac_power_kw", "number", "Mean AC power; a log in W is brought to kW", COLUMN, "kW", -0.1, 1.3, _RATING),
    # Modules may have more power than the inverter, never three times as much at once.
    Column("dc_power_kw", "number", "Mean DC power; a log in W is brought to kW", OPTIONAL, "kW", -3, 3, _RATING),
    _number("dc_voltage_v", "V", -50, 3000, "Mean DC voltage"),
    _text("status", "State that the inverter gave"),
), ("time", "inverter_id", "mppt"), ("inverter_id", "mppt"))

_STRING_CURRENT = Table("string_current", "sites/{site}/readings/string_current", "Interval log of strings", (
    _time("time", "Interval label"),
    _id("string_id", "The string logged"),
    _number("dc_current_a", "A", -10, 1000, "Mean DC current", COLUMN),
), ("time", "string_id"), ("string_id",))

#: Every table of format 1 by name.
TABLES: Mapping[str, Table] = {t.name: t for t in (
    _MODULE_TYPES, _INVERTER_TYPES, _JOB_COSTS, _INVERTERS, _STRINGS, _WEATHER, _WEATHER_2, _EVENTS,
    _PRICES, _LOAD, _STATEMENTS, _COSTS, _IV, _IV_CURVES, _CLAMP, _METER, _POWER, _STRING_CURRENT,
)}
#: Kinds of file whose rows are intervals, so that `interval_label` applies.
INTERVAL_TABLES = ("weather", "weather_2", "power", "string_current", "prices", "load")
