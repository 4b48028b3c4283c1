"""`python -m tests.farm.make_sample [FOLDER]` writes `sample_portfolio/` anew, the same bytes each time."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from .sample import sample
from .write import write_portfolio


def main(folder: Path) -> None:
    if folder.exists():
        shutil.rmtree(folder)
    write_portfolio(folder, folder / "truth", sample(), job_draws=3)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parents[2] / "sample_portfolio")
