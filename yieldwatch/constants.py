"""
Physical constants and the fixed words of the contract, each with unit and source.

Prices, wages and recovery shares are not constants: they are settings.
"""

#: Irradiance at standard test conditions. [W/m²] By definition, IEC 60904-3 / IEC TS 61836.
IRRADIANCE_STC = 1000.0
#: Cell temperature at standard test conditions. [°C] By definition, same.
TEMP_STC = 25.0
#: Boltzmann constant over elementary charge. [V/K] CODATA 2018, exact by the 2019 SI.
THERMAL_VOLTAGE_PER_K = 1.380649e-23 / 1.602176634e-19
#: Zero of the Celsius scale. [K] By definition.
ZERO_CELSIUS_K = 273.15

#: Cell above back-of-module temperature at 1000 W/m². [°C] King et al., SAND2004-3535 (2004), open rack.
CELL_ABOVE_BACK = 3.0

#: Share of the ground that tracker rows cover where the spacing is not given. Common practice, no source.
ASSUMED_GROUND_COVER = 2.0 / 7.0

#: Causes a loss can be given to, in the order in which they are reported.
CAUSES = (
    "soiling",
    "shading",
    "snow",
    "string_fault",
    "inverter_efficiency",
    "inverter_outage",
    "grid_outage",
    "curtailment",
    "reactive_power",
    "degradation",
    "unexplained",
)
#: Losses that the owner or the maintenance contractor can act on.
IN_HAND = ("soiling", "shading", "string_fault", "inverter_efficiency", "inverter_outage")
#: Losses that no crew can mend: weather, grid, rules and age. Of `curtailment` that is what an instruction held down.
BEYOND = ("snow", "grid_outage", "curtailment", "reactive_power", "degradation")
#: The rest of `curtailment`, a limit that somebody left on and can lift: in the owner's hands.
LEFT_ON = "limit_left_on"
#: What a string finding can say.
FINDINGS = (
    "ok", "open", "bypass_short", "wrong_count", "series_resistance", "shunt", "current_low",
    "soiled", "shaded", "not_tested",
)
#: Findings that are faults of the string itself and not of the light on it.
FAULT_FINDINGS = ("open", "bypass_short", "wrong_count", "series_resistance", "shunt", "current_low")
#: Kinds of job that the work list can hold.
JOB_KINDS = (
    "clean", "cut_vegetation", "repair_string", "replace_modules", "repair_inverter",
    "fix_settings", "inspect", "claim",
)
#: What is done, as people say it.
JOB_WORDS = {
    "clean": "clean the modules",
    "cut_vegetation": "cut back vegetation",
    "repair_string": "repair strings",
    "replace_modules": "replace modules",
    "repair_inverter": "repair the inverter",
    "fix_settings": "correct the settings",
    "inspect": "inspect",
    "claim": "make a claim",
}
#: Looks that settle whether a job pays, by what they look at: inspections with an outline, a crew and cautions of their own.
LOOKS = {"soiling": "look_at_dirt", "shading": "look_at_plants"}
#: An inspection of a loss that a look settles, by cause.
LOOK_WORDS = {"soiling": "wash two strings to see the dirt", "shading": "look at what shades"}
#: All that is done in a way of its own, as `work_of` names it.
WORKS = (*JOB_KINDS, *LOOKS.values())
#: Who does desk work, which needs no visit.
OFFICE = "office"
#: Who does a work; jobs of one crew at one site share one visit. Strings are traced by licensed persons, dirt or not.
CREWS = {work: "electrical" for work in WORKS} | {
    "clean": "cleaning", "cut_vegetation": "vegetation", "look_at_plants": "vegetation", "claim": OFFICE}


def work_of(job_kind: str, cause: str) -> str:
    """What a job of this kind for this cause is done as, one of `WORKS`; a kind that is not known stays itself."""
    return LOOKS.get(cause, job_kind) if job_kind == "inspect" else job_kind


def job_word(kind: object, cause: object = None) -> str:
    """What is done, in words; of an inspection also what is looked at, where the cause says."""
    if str(kind) == "inspect" and str(cause) in LOOK_WORDS:
        return LOOK_WORDS[str(cause)]
    return JOB_WORDS.get(str(kind), str(kind))


def named_job(kind: str, cause: str, scope: str) -> str:
    """A job within a sentence, so that people know which is meant; `scope` as in the work list."""
    parts = "" if scope in ("", "site") else f" of {scope}"
    return f'"{job_word(kind, cause)}{parts}"'
