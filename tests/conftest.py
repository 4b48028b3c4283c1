"""What all tests share."""

import os

# Several processes test at once: threads of their linear algebra would wait for each other. Read when numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pickle
import shutil
from pathlib import Path
from unittest import mock

import pytest
from filelock import FileLock
from hypothesis import settings

from yieldwatch import cli
from yieldwatch.assess import Assessment, assess

SAMPLE = Path(__file__).parents[1] / "sample_portfolio"

#: Files that take longest, first: begun last, one of them would hold up the others. The first needs the sample's assessment, and
#: makes it while the next ones do without.
LONGEST = [
    "dashboards/test_farm_pages.py", "gap/test_unlogged.py", "gap/test_findings.py", "action/test_since_last_look.py",
    "gap/test_common_shade.py", "dashboards/test_pages.py", "dashboards/test_planner.py", "dashboards/test_upload.py",
    "dashboards/test_people.py", "book/test_keep.py", "test_assess.py", "test_docs.py", "report/test_crew_sheets.py",
]

# How long one example takes says something of the machine, not of the answer.
settings.register_profile("any-machine", deadline=None)
settings.load_profile("any-machine")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    place = {here / name: n for n, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path, len(place)))


@pytest.fixture(scope="session")
def assessed(tmp_path_factory, worker_id) -> Path:
    """
    A folder with the sample `portfolio`, what the command wrote of it in `portfolio/out`, and the `answer` that it wrote from.

    Made once, by the first process that asks for it; the truth is left out. For reading only.
    """
    base = tmp_path_factory.getbasetemp()
    folder = (base if worker_id == "master" else base.parent) / "assessed"
    with FileLock(folder.with_suffix(".lock")):
        if not (folder / "answer").exists():
            shutil.rmtree(folder, ignore_errors=True)
            shutil.copytree(SAMPLE, folder / "portfolio", ignore=shutil.ignore_patterns("truth"))
            answers = []

            def kept(*args, **options) -> Assessment:
                answers.append(assess(*args, **options))
                return answers[-1]

            with mock.patch.object(cli, "assess", kept):
                assert cli.main(["assess", str(folder / "portfolio"), "--out", str(folder / "portfolio" / "out")]) == 0
            (folder / "answer").write_bytes(pickle.dumps(answers[0]))
    return folder


@pytest.fixture(scope="session")
def answer(assessed) -> Assessment:
    """The assessment of the sample, not to be changed."""
    return pickle.loads((assessed / "answer").read_bytes())
