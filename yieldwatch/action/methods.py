"""
How each kind of job is done, in outline: what to bring, the steps, what to test before and after.

For planning a visit and recording it. The outline stands behind local codes, the plant's rules and the makers' instructions, and
replaces none of them; the cautions are in `cautions`. Steps and tools are common practice, no source, but where one is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from yieldwatch.constants import JOB_KINDS, WORKS, work_of

#: Least insulation resistance of a string at a test voltage of 500 V or 1000 V. [MΩ] IEC 62446-1 (from memory).
LEAST_INSULATION_MOHM = 1.0
#: Distance between measured and expected open-circuit voltage or current of a string from which on it is looked into. [%]
#: IEC 62446-1 (from memory).
MOST_OFF_PCT = 5.0

#: What is written down before and after, by what a row is for: heading of a box and its unit.
BOXES = {
    "string": (
        ("Time", ""), ("Light", "W/m²"), ("Module", "°C"), ("Voc", "V"), ("Isc", "A"), ("Pmp", "W"), ("Insul. +", "MΩ"),
        ("Insul. −", "MΩ")),
    "inverter": (
        ("Time", ""), ("Light", "W/m²"), ("Air", "°C"), ("DC", "V"), ("DC", "A"), ("AC", "kW"), ("Insul.", "MΩ"),
        ("State, code", "")),
    "site": (("Time", ""), ("Light", "W/m²"), ("Air", "°C"), ("Wind", "m/s"), ("Plant output", "kW")),
    "witness": (("Time", ""), ("Light", "W/m²"), ("Module", "°C"), ("Isc", "A"), ("Pmp", "W"), ("Photo", "no.")),
    "plant": (
        ("Distance", "m"), ("Top over glass", "m"), ("Width", "m"), ("What it is, whose", ""), ("Cut to", "m"), ("Photo", "no.")),
}


@dataclass(frozen=True)
class Method:
    """
    A job in outline.

    Attributes
    ----------
    bring : tuple of str
        Parts, tools and plant.
    steps : tuple of str
        In order.
    before, after : tuple of str
        What to test or look at, and what is good enough.
    serials : int
        Lines for the serial numbers of parts that go and come.
    boxes : str
        Key of `BOXES` for what is written down whatever the job's scope; empty where the scope decides.
    """

    bring: tuple[str, ...]
    steps: tuple[str, ...]
    before: tuple[str, ...]
    after: tuple[str, ...]
    serials: int = 0
    boxes: str = ""


_TRACERS = "I-V tracer, DC clamp, voltage indicator, irradiance and temperature sensor, all in date of calibration"
_TESTERS = ("Insulation tester", _TRACERS)
_SAFE = ("Thermal camera", "Lock-out kit, labels, insulated tools")
_WASH_KIT = ("Soft brushes and water that leaves no lime (demineralised, or soft with a proof); no detergent that the module "
             "maker does not allow")
_STRING_AFTER = (
    "Polarity and open-circuit voltage before the string is connected again.",
    f"Voc and Isc within {MOST_OFF_PCT:g} % of the neighbours' at the same light; Voc of the expected value at its temperature.",
    f"Insulation to earth, both poles: at least {LEAST_INSULATION_MOHM:g} MΩ, at the test voltage that the local code asks for.",
    "I-V trace, light steady and 400 W/m² or more in the module plane (700 W/m² is better); keep the trace.",
)
_STRING = Method(
    bring=(
        *_TESTERS, *_SAFE,
        "Crimp tool and spanners of the connectors' make; DC cable of the fitted size and type; torque wrench",
    ),
    steps=(
        "Find the string by its label and by tracing the cable, not by this sheet alone.",
        "Stop the inverter, isolate, lock and tag; prove that no current flows and that the point of work is dead.",
        "Take the readings before, then look: fuse and holder, connectors, cable, junction boxes, broken glass, heat marks.",
        "Mend what is found. Leave everything as it is and report if it is not what this sheet says.",
        "Take the readings after, connect, start, and see that the string carries current like its neighbours.",
    ),
    before=("The string and one sound neighbour, in the same ten minutes of steady light.",),
    after=_STRING_AFTER,
    serials=1,
)

METHODS: dict[str, Method] = {
    "repair_string": _STRING,
    "replace_modules": Method(
        bring=(
            "Modules of the fitted type, or of the same current class and size as agreed with the owner; clamps and earthing "
            "parts of the mounting's maker",
            "Lifting aid, two people to a module",
            *_STRING.bring,
        ),
        steps=(
            *_STRING.steps[:2],
            "Take the readings before. Find the weak modules by thermal camera in load, or by splitting the string.",
            "Photograph the serial label of each module that goes and each that comes; the array must not grow in rated power "
            "where a scheme forbids it.",
            "Swap, tighten to the mounting's torque, restore earthing. Keep what comes down dry and whole for the warranty.",
            _STRING.steps[4],
        ),
        before=_STRING.before,
        after=_STRING_AFTER,
        serials=4,
    ),
    "repair_inverter": Method(
        bring=(
            "The maker's service manual, laptop and lead for its log; fans, filters, fuses, surge arresters of the fitted type",
            *_TESTERS, *_SAFE, "AC clamp, torque wrench, protection against arc flash as the site assessment says",
        ),
        steps=(
            "Read out and save the log and all settings before anything is switched.",
            "Stop the inverter; isolate DC and AC, lock and tag; wait the maker's time for the capacitors; prove dead.",
            "Look for what this sheet says: filters, fans, connections, arresters, moisture, insulation of each input.",
            "Mend or swap within what the maker allows; restore settings and grid protection exactly.",
            "Start, and watch half an hour in load.",
        ),
        before=("Output, DC voltage and current of each input beside a sound inverter of the same type, at the same time.",),
        after=(
            "The same readings: the inverter follows the sound one at the same light.",
            "No alarm in the log; settings the same as saved, or each change written down.",
        ),
        serials=2,
    ),
    "fix_settings": Method(
        bring=(
            "Access rights and laptop for the inverter; the connection agreement's settings; the operator's consent if needed",
        ),
        steps=(
            "Save all settings as they are.",
            "Find the limit or mode that this sheet names, and who set it and why; if it is meant, leave it and report.",
            "Change that one setting; save again; note old and new value.",
        ),
        before=("Output beside a sound inverter of the same type in strong light.",),
        after=("The same: the inverter now passes the old limit when its neighbours do.", "Grid protection settings unchanged."),
    ),
    "inspect": Method(
        bring=(*_TESTERS, *_SAFE),
        steps=(
            "Look without touching first: smell, noise, heat marks, water, broken glass, damaged cable.",
            "Thermal picture of connections and modules in load.",
            "Isolate, lock and tag, prove dead, then test what this sheet names.",
            "If it is not safe, leave it off, bar it, label it, and call the contact before leaving.",
        ),
        before=("As found: state, alarms, insulation.",),
        after=("As left: safe, on or off, and why. Each thing found is written down with a photo; it becomes a job of its own.",),
    ),
    "clean": Method(
        bring=(
            _WASH_KIT,
            "Tank, pump and hose that need no walking on modules; light meter for the reference string",
        ),
        steps=(
            "Walk the rows: mark broken modules and have them isolated; leave them dry.",
            "Choose two like strings: wash one last, or leave it for two weeks as the measure of what the wash did.",
            "Wash cool glass, early or late, from the top down; droppings and lichen are soaked, not scraped.",
            "Clean the light sensor at the END, and write down the time: a clean sensor moves every later figure.",
        ),
        before=("Photo of a typical module, the worst and the lower edge; output; Isc of a string if an electrician is there.",),
        after=("The same photos and readings in like light; the washed area as rows or modules; water used.",),
        boxes="site",
    ),
    "cut_vegetation": Method(
        bring=(
            "Plan of surface and buried cables; cutting tools that throw no stones towards glass (no flail or string trimmer "
            "beside modules)",
            "Way to take cuttings off the panels and off the site as agreed; fire extinguisher in dry weather",
        ),
        steps=(
            "Look for nests and protected animals; if any are found, stop and call the contact.",
            "Mark cables, combiner boxes and fences.",
            "Cut what shades: grass to below the lowest glass edge; hedge and trees to the height agreed with the owner.",
            "Sweep cuttings off glass, out of fans and away from cables.",
        ),
        before=("Photo along each shaded row at the hour of shade, with the time.",),
        after=("The same photos at the same hour; length or area cut and the height left.",),
        boxes="site",
    ),
    "look_at_dirt": Method(
        bring=(
            _TRACERS, "Lock-out kit, labels, insulated tools", _WASH_KIT, "Buckets, a brush on a pole that does not conduct; "
            "camera"),
        steps=(
            "Take two sound strings that are as dirty as most, each with a like one beside it that stays as it is. Where a "
            "string is too long to wash by hand: two modules of each, measured alone.",
            "A licensed person measures all four within ten minutes of steady light, isolated and proved dead before a lead is "
            "moved.",
            "Wash two of them, cool glass, from the top down, plugs and boxes kept dry; let them dry. No cracked module is "
            "wetted.",
            "Measure all four again, as before. The light sensor is not touched today.",
            "What the washed ones gained over the unwashed, in per cent of Isc, is the dirt: into the job book it goes.",
        ),
        before=("Steady light of 700 W/m² or more in the module plane, 400 W/m² at least; Isc of all four, Pmp with a tracer.",
                "Photo of each: the middle and the lower edge."),
        after=("The same four in like light, glass dry: the unwashed ones within 2 % of before, at the same light, or repeat.",),
        boxes="witness",
    ),
    "look_at_plants": Method(
        bring=("Tape or range finder, clinometer or a phone that shows the angle, compass, camera, marking tape",),
        steps=(
            "Walk the rows that this sheet names, at an hour of the shade if it can be. Nothing is opened, cut or climbed.",
            "Stand at the lowest glass; look along each bearing: what rises above the angle stated is what shades.",
            "Measure its distance, the height of its top over the glass, its bearing and its width; photograph it from there.",
            "Write down what it is and whose: hedge, tree, grass; a wall, a mast, a neighbour's tree cannot be cut.",
            "Mark on the plan what to cut, from where to where and to which height, and how a cutter gets there; look for nests, "
            "buried and overhead lines.",
        ),
        before=("Bearings are from true north: a compass needle's own turn is set right first.",),
        after=("Every bearing of this sheet is answered, also where nothing stands there.",),
        boxes="plant",
    ),
    "claim": Method(
        bring=("The contract or warranty, the rows of claims.csv, serials on record, traces and photos in the job book",),
        steps=(
            "Ask the maker or contractor in writing which tests and papers count.",
            "What is missing, such as a photo of a serial label or a trace of a washed string, is asked of the next crew that "
            "goes there.",
            "Send all of it within the term; note date and reference in the job book.",
        ),
        before=("The term, by the contract itself.",),
        after=("Receipt confirmed in writing; a day set to ask again.",),
    ),
}

#: What a string's finding points at, read with the job: where to look first.
LOOK_FIRST = {
    "open": "No current: fuse, fuse holder, connectors, a cut cable, an input left unplugged. Voltage may be there all the same.",
    "bypass_short": "A third of one module's voltage is missing: a shorted bypass diode in a junction box, which may be hot.",
    "wrong_count": "Whole modules' voltage is missing: count the modules in the string, look for one bridged or left out.",
    "series_resistance": "Voltage falls with load: a hot or corroded connector, a loose terminal. Thermal camera first.",
    "shunt": "Current leaks inside modules. Insulation test; then the modules at the negative end and cracked ones.",
    "current_low": "Less current than the neighbours all along: cracked or weak modules, lasting dirt or shade. Clean first.",
}


def method(job_kind: str, cause: str = "") -> Method:
    """
    The outline of a kind of job, for its cause.

    Raises
    ------
    ValueError
        If the kind is not known, so that no crew leaves with an empty sheet.
    """
    if (work := work_of(job_kind, cause)) not in WORKS:
        raise ValueError(f"job_kind = {job_kind}, not known. Expected one of {', '.join(JOB_KINDS)}.")
    return METHODS[work]


def look_first(findings: Sequence[str]) -> tuple[str, ...]:
    """Where to look first, each once, for the findings of a job's strings."""
    return tuple(dict.fromkeys(LOOK_FIRST[f] for f in findings if f in LOOK_FIRST))
