"""
Witness strings, washed before a round while the others are not: the level of the others' dirt on that day.

Dirt that rain never takes off looks like age in everything else. Against a string washed the same day it does not: both are of
one age, under one light, read by one tester. What is left is how the makers' strings differ, an unknown of its own for each set
of witnesses, which rounds before their first wash tell.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from scipy import sparse

from yieldwatch.constants import FAULT_FINDINGS
from yieldwatch.gap.blocks import Blocks
from yieldwatch.gap.infer import Rows
from yieldwatch.gap.mechanisms.base import Column
from yieldwatch.gap.mechanisms.soiling import CLEANED

#: Tag of the unknowns of this module.
WITNESS = ("witness",)
#: One string's power against another's of one visit: by the makers, and by the reading. Common practice, no source.
_MAKERS, _READING = 0.008, 0.010
#: A trace whose current is farther off its peers was taken in other light. [ln] Common practice, no source.
_SAME_LIGHT = 0.08
#: Fewest strings that were never washed alone. Common practice, no source.
_FEWEST_OTHERS = 3


def witness_columns(blocks: Blocks, rounds: pd.DataFrame) -> list[Column]:
    """One unknown for each set of witnesses: how much more or less they give than the others when all are clean."""
    return [
        Column("round", name, np.zeros(blocks.n), None, 0.0, _MAKERS * np.sqrt(1.0 / n + 1.0 / m), -np.inf, np.inf, WITNESS)
        for name, n, m in sorted({(name, n, m) for name, n, m, *_ in _sets(rounds)})
    ]


def witness_rows(blocks: Blocks, columns: list[Column], rounds: pd.DataFrame, findings: pd.DataFrame) -> list[Rows]:
    """One row for each set of witnesses and round: ln of the others' power over theirs."""
    number = {c.name: j for j, c in enumerate(columns) if c.tag == WITNESS}
    if not number:
        return []
    odd = {*FAULT_FINDINGS, "shaded"}
    faulty = set(findings.loc[findings["finding"].isin(odd), "string_id"]) if len(findings) else set()
    triplets: list[tuple[int, int, float]] = []
    values: list[float] = []
    weights: list[float] = []
    for name, _, _, traces, witness in _sets(rounds):
        sound = ~traces["string_id"].isin(faulty) & (traces["i_sc_peer"].map(np.log).abs() < _SAME_LIGHT)
        for _, whole in traces[sound].groupby("round_id"):
            before, after = _before_and_after(whole)
            if len(after):
                # The same string on the same day: how it was made falls out.
                dirt = _dirt_of_others(blocks, columns, before, after["washed"].min())
                triplets += [(len(values), j, CLEANED * depth) for j, depth in dirt.items()]
                ratio = np.log(before["p_mp_plate"].to_numpy(float) / after["p_mp_plate"].to_numpy(float))
                values.append(float(np.median(ratio)))
                weights.append(len(after) / 2.0)
            visit = whole.drop(index=before.index)
            theirs = visit["string_id"].isin(witness)
            washed = visit.loc[theirs, "washed"]
            if theirs.sum() == 0 or (~theirs).sum() < _FEWEST_OTHERS or washed.notna().any() != washed.notna().all():
                continue
            dirt = {}
            if washed.notna().all():
                dirt = _dirt_of_others(blocks, columns, visit[~theirs], washed.min())
            elif (traces["washed"] < visit["time"].iloc[0]).any():
                # What rain never takes is gone from them since, and comes back slowly.
                continue
            triplets += [(len(values), j, CLEANED * depth) for j, depth in dirt.items()]
            triplets.append((len(values), number[name], 1.0))
            power = np.log(visit["p_mp_plate"].to_numpy(float))
            values.append(float(np.median(power[~theirs]) - np.median(power[theirs])))
            weights.append(1.0 / (1.0 / theirs.sum() + 1.5 / (~theirs).sum()))
    if not values:
        return []
    r, c, v = zip(*triplets, strict=True)
    design = sparse.csr_matrix((v, (r, c)), shape=(len(values), len(columns)))
    mean = float(np.mean(weights))
    return [Rows("witness strings", design, np.array(values), np.array(weights) / mean, _READING / np.sqrt(mean), 1.0)]


def _before_and_after(visit: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Traces of strings that were traced both unwashed and washed in one round, row against row."""
    after = visit[visit["washed"].notna()].drop_duplicates("string_id", keep="last")
    before = visit[visit["washed"].isna()].drop_duplicates("string_id", keep="last")
    both = sorted(set(after["string_id"]) & set(before["string_id"]))
    return (
        before[before["string_id"].isin(both)].sort_values("string_id"),
        after[after["string_id"].isin(both)].sort_values("string_id"),
    )


def _dirt_of_others(blocks: Blocks, columns: list[Column], visit: pd.DataFrame, washed: pd.Timestamp) -> dict[int, float]:
    """What each unknown of soiling takes of the strings that were not washed, by place in `columns`."""
    # An inverter's state holds the wash of its witnesses from that day on: the day before is the others'.
    day = min(blocks.day_of(visit["time"].iloc[0]), blocks.day_of(washed) - 1)
    near = np.flatnonzero(blocks.day == min(max(day, 0), len(blocks.dates) - 1))
    place = {name: k for k, name in enumerate(blocks.model.inverter_ids)}
    share = visit["inverter_id"].map(place).value_counts(normalize=True)
    out: dict[int, float] = {}
    for j, column in enumerate(columns):
        if column.cause == "soiling" and len(near):
            shapes = [(column.at(int(k)), part) for k, part in share.items()]
            out[j] = sum(part * float(shape[near].mean()) for shape, part in shapes if shape is not None)
    return out


def _sets(rounds: pd.DataFrame) -> Iterator[tuple[str, int, int, pd.DataFrame, set[str]]]:
    """Each set of witnesses: its name, how many they and the others are, the traces of both, and the witnesses."""
    if rounds.empty:
        return
    # A trace is repeated because the one before it was doubted, or because the string was washed in between.
    rounds = rounds[~rounds.assign(clean=rounds["washed"].notna()).duplicated(["string_id", "round_id", "clean"], keep="last")]
    fit = rounds[(rounds["grade"] != "unfit") & (rounds["p_mp_plate"] > 0.3) & rounds["i_sc_peer"].notna()]
    for (kind, array), group in fit.groupby(["module_type", "array_id"]):
        alone = group.groupby("round_id")["washed"].transform(lambda w: w.notna().any() and w.isna().any())
        witness = set(group.loc[group["washed"].notna() & alone.astype(bool), "string_id"])
        others = set(group["string_id"]) - witness
        if witness and len(others) >= _FEWEST_OTHERS:
            yield f"witnesses of {kind} on {array}", len(witness), len(others), group, witness
