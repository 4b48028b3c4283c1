"""
One story of jobs and of the readings before them: a job that a reading may turn says so, and a reading that is a job says that.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from yieldwatch.cost.amounts import money

#: Chance below which a reading is said to change no decision; a few hundred draws tell no less.
NO_CHANGE = 0.01


def one_story(work_list: pd.DataFrame, readings: pd.DataFrame, currency: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """
    Say on each job to be done which reading is worth making before it, and of each reading how it stands to the jobs.

    Parameters
    ----------
    work_list : DataFrame
        From `ranking.rank_jobs`, with what the job book adds.
    readings : DataFrame
        From `next_measurements`, by rank.
    currency : str

    Returns
    -------
    work_list : DataFrame
        With `read_first`, the reading in words, which the verdict has too, and `read_first_kind`, its measurement. Which jobs
        are chosen stays as it is: done now the job is worth its cost in the mean; what the reading may spare or add comes on
        top.
    readings : DataFrame
        With verdicts that tell a reading that is a job of the list, one before a job that is to be done, and one before a job
        that is not. One that is a job has that job's worth and chance: both are the same, from simulations of their own.
    """
    first: dict[str, Mapping] = {}
    said = []
    on = work_list[work_list["chosen"].astype(bool)] if len(work_list) else work_list
    may_wait = set(on.loc[~on["safety"].astype(bool), "job_id"]) if len(on) else set()
    for reading in readings.to_dict("records"):
        pays = reading["net_worth"] > 0.0 and reading["chance_of_change"] >= NO_CHANGE
        turned = set(reading["may_turn"].split()) & may_wait if pays else set()
        look = _as_job(reading, on) if pays else None
        words = str(reading["verdict"])
        if look is not None:
            rank, worth = int(look["rank"]), float(look["worth_of_look"])
            words = f"A job of its own, No. {rank} of the work list."
            if np.isfinite(look["chance_of_work"]):
                reading |= {"chance_of_change": float(look["chance_of_work"])}
            if np.isfinite(worth):
                reading |= {"worth": worth, "worth_low": min(reading["worth_low"], worth),
                            "worth_high": max(reading["worth_high"], worth), "net_worth": worth - reading["cost"]}
        elif turned:
            words = words.replace(_ASKED, "read before the work is done.")
            for job in turned:
                first.setdefault(job, reading)
        said.append({**reading, "verdict": words})
    told = work_list.assign(
        read_first=[_before(first[j], currency) if j in first else "" for j in work_list["job_id"]],
        read_first_kind=[first[j]["measurement"] if j in first else "" for j in work_list["job_id"]])
    told["verdict"] = [f"{v} Before it, {reading}." if reading else v
                       for v, reading in zip(told["verdict"], told["read_first"], strict=True)]
    return told, pd.DataFrame(said, columns=readings.columns) if said else readings


#: How the verdict of a reading that is worth its cost ends.
_ASKED = "read before deciding."


def _as_job(reading: Mapping, on: pd.DataFrame) -> pd.Series | None:
    """The job on the list that makes this very reading; None where there is none."""
    if on.empty:
        return None
    looks = on[(on["job_kind"] == "inspect") & (on["site_id"] == reading["site_id"]) & (on["scope"] == reading["scope"])]
    if reading["measurement"] == "wash_witness":
        own = looks[looks["cause"] == "soiling"]
    else:
        own = looks[looks["job_id"].isin(reading["bears_on"].split())]
    return own.iloc[0] if len(own) else None


def _before(reading: Mapping, currency: str) -> str:
    return (f"{reading['how']}: for {money(reading['cost'], currency)}, with a chance of "
            f"{100.0 * reading['chance_of_change']:.0f} % that it tells against the work and spares its cost")
