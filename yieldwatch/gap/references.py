"""
What a trace is held against where its round has too few peers.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from yieldwatch.gap.rounds import FEWEST_PEERS
from yieldwatch.gap.trace_arrays import PLATE_COLUMNS

#: Standard uncertainty, by `QUANTITIES`, of one like string as the only reference, and of strings of other types or planes in the
#: same round: these share age and instrument, and not how well the plate fits. Common practice, no source.
_ONE_STRING = np.array([0.005, 0.006, 0.006, 0.012, 0.01, 0.05, 0.0, 0.0])
_OTHER_TYPES = np.array([0.008, 0.010, 0.012, 0.030, 0.01, 0.05, 0.0, 0.0])
#: Fall of a round's usual shape below the best round's beyond which most of its strings stood in shade. Common practice, no
#: source.
_OFF_SHAPE = 0.05
#: Fewest strings of other types. Common practice, no source.
_FEWEST_OTHERS = 3


def rounds_in_shade(mine: pd.DataFrame) -> tuple[list, list]:
    """
    Rounds in which most strings of a type and plane were off shape, by their plate; and those of them that were so unevenly.

    The usual one is no reference for another round there; where all are off alike it still is for its own.

    Parameters
    ----------
    mine : DataFrame
        Fit traces of one type and plane.
    """
    shape = ["i_ratio_plate", "v_ratio_plate"]
    living = mine[~mine["no_current"].astype(bool)].groupby("round_id")[shape]
    usual = living.median()
    if len(usual) < 2:
        return [], []
    dark = (usual.max() - usual).max(axis=1) > _OFF_SHAPE
    apart = (living.quantile(0.75) - living.quantile(0.25)).max(axis=1) > _OFF_SHAPE
    return usual.index[dark].to_list(), usual.index[dark & apart].to_list()


def against_few(mine: pd.DataFrame, sound: pd.DataFrame) -> pd.DataFrame | None:
    """
    Traces against the one to three like strings of their round, or against the round's other types.

    Three or four like strings: their median, which one faulty string cannot carry away. Two: the better of the two, since a
    fault lowers. One: the median of the round's other strings, all on their plates.

    Parameters
    ----------
    mine : DataFrame
        Fit traces of one type and plane, one a string and round.
    sound : DataFrame
        Fit traces of the site.

    Returns
    -------
    DataFrame or None
        `mine`, its plate ratios over the reference and with a column `doubt` of variances by `QUANTITIES`; None where a round
        offers no reference.
    """
    columns = list(PLATE_COLUMNS)
    out = mine.astype(dict.fromkeys(columns, float))
    doubts: dict[object, np.ndarray] = {}
    for number, rows in mine.groupby("round_id"):
        living = rows.loc[~rows["no_current"].astype(bool), columns].to_numpy(float)
        if len(living) >= 2:
            reference = np.median(living, axis=0) if len(living) > 2 else living.max(axis=0)
            doubt = _ONE_STRING**2 / (len(living) - 1)
        else:
            others = sound[(sound["round_id"] == number) & ~sound.index.isin(rows.index) & ~sound["no_current"].astype(bool)]
            if len(others) < _FEWEST_OTHERS:
                return None
            reference, doubt = others[columns].median().to_numpy(float), _OTHER_TYPES**2
        out.loc[rows.index, columns] = rows[columns].to_numpy(float) / reference
        doubts |= dict.fromkeys(rows.index, doubt)
    return out.assign(doubt=pd.Series(doubts, dtype=object))


def light_of_the_round_out(mine: pd.DataFrame, sound: pd.DataFrame) -> tuple[pd.DataFrame, bool]:
    """
    Current against the plate, held against the median of all strings of the round; and whether every round has enough of them.

    Too few of one type and plane to compare all of a curve; but the light sensor's bias and the dirt that all share move the
    current of every string alike.
    """
    living = sound[~sound["no_current"].astype(bool)]
    usual = living.groupby("round_id")["i_sc_plate"].agg(["median", "count"])
    level = mine["round_id"].map(usual.loc[usual["count"] > FEWEST_PEERS, "median"])
    if level.isna().any():
        return mine, False
    return mine.assign(i_sc_plate=mine["i_sc_plate"] / level), True
