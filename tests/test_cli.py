"""The command line: help, exit statuses and messages."""

import argparse
import datetime as dt
import shlex

import pytest

from tests.report.invented import assessment
from yieldwatch import cli
from yieldwatch.check import PortfolioCheck, check_site
from yieldwatch.errors import PortfolioError

COMMANDS = ["accounts", "assess", "check", "explain", "jobs", "serve"]


@pytest.fixture
def calls(monkeypatch):
    """Stand-ins for the stages that record how they were called."""
    made = []

    def assess(path, as_of=None, period=None, progress=None, opens_book=None, processes=1):
        made.append((str(path), as_of, period))
        progress("reading alder")
        return assessment()

    def check(path, as_of=None):
        made.append((str(path), as_of))
        whole = assessment()
        return PortfolioCheck(whole.portfolio, as_of, tuple(check_site(s.site, s.data) for s in whole.sites))

    monkeypatch.setattr(cli, "assess", assess)
    monkeypatch.setattr(cli, "check", check)
    return made


def subcommands():
    actions = cli.main_parser()._actions
    return next(a for a in actions if isinstance(a, argparse._SubParsersAction)).choices


def test_every_command_is_listed_here():
    assert sorted(subcommands()) == COMMANDS


@pytest.mark.parametrize("command", COMMANDS)
def test_help_carries_an_example_that_the_parser_accepts(command):
    text = subcommands()[command].format_help()
    example = text.split("Example:\n")[1].strip()
    program, *arguments = shlex.split(example)
    assert program == "yieldwatch"
    options = cli.main_parser().parse_args(arguments)
    if command != "explain":
        assert options.portfolio.name == "sample_portfolio"


@pytest.mark.parametrize("arguments", [["--help"], *([c, "--help"] for c in COMMANDS)])
def test_help_leaves_with_0(arguments, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main(arguments)
    assert left.value.code == 0
    assert "Example:" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ([], "the following arguments are required: COMMAND"),
        (["assess"], "the following arguments are required: PORTFOLIO"),
        (["assess", "p", "--as-of", "June"], '"June" is not a date. Expected YYYY-MM-DD'),
        (["polish", "p"], "invalid choice: 'polish'"),
    ],
)
def test_wrong_usage_leaves_with_2_and_says_what_is_wrong(arguments, message, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main(arguments)
    assert left.value.code == 2
    assert message in capsys.readouterr().err


def test_assess_prints_the_answer_and_writes_the_folder(calls, tmp_path, capsys):
    out = tmp_path / "results"
    status = cli.main(
        [
            "assess",
            "farms",
            "--out",
            str(out),
            "--as-of",
            "2025-07-01",
            "--from",
            "2025-01-01",
            "--to",
            "2025-07-01",
        ]
    )
    assert status == 0
    assert calls == [("farms", dt.date(2025, 7, 1), (dt.date(2025, 1, 1), dt.date(2025, 7, 1)))]
    said = capsys.readouterr()
    assert "Do first" in said.out
    # Progress goes to stderr, so that the answer can be piped.
    assert said.err.splitlines() == ["reading alder", "writing the results"]
    names = {path.name for path in out.iterdir()}
    assert {"yields.csv", "losses.csv", "work_list.csv", "work_list.xlsx", "evidence.json", "report.html",
            "visits.ics"} <= names
    assert not any(name.endswith(".parquet") for name in names)


def test_results_go_beside_the_current_folder_by_default(calls, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.main(["assess", "farms", "--parquet"]) == 0
    assert (tmp_path / "yieldwatch-out" / "losses.parquet").exists()
    assert calls == [("farms", None, None)]
    assert "yieldwatch-out: monthly_report.html" in capsys.readouterr().out


def test_check_prints_what_the_data_can_tell_and_writes_nothing(calls, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert cli.main(["check", "farms", "--as-of", "2025-07-01"]) == 0
    assert "Cannot tell" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == []


def test_bad_input_leaves_with_1_and_its_message_alone(monkeypatch, tmp_path, capsys):
    def assess(*args, **kwargs):
        raise PortfolioError("farms/portfolio.toml: format = 2, not known. Expected 1.")

    monkeypatch.setattr(cli, "assess", assess)
    assert cli.main(["assess", "farms", "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr()
    assert said.err == "farms/portfolio.toml: format = 2, not known. Expected 1.\n"
    assert said.out == ""
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--from", "2025-07-01", "--to", "2025-01-01"], "--to = 2025-01-01, not after --from = 2025-07-01"),
        (["--out", "{file}"], "Expected a folder. Name another one."),
    ],
)
def test_options_that_contradict_are_a_message(calls, arguments, message, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    given = [a.format(file=tmp_path / "file") for a in arguments]
    assert cli.main(["assess", "farms", *given]) == 1
    assert message in capsys.readouterr().err
    assert calls == []


def test_an_interrupt_leaves_with_130_and_a_word(monkeypatch, capsys):
    def check(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "check", check)
    assert cli.main(["check", "farms"]) == 130
    assert "Stopped" in capsys.readouterr().err


def test_a_bug_is_not_hidden(monkeypatch):
    def check(*args, **kwargs):
        raise ZeroDivisionError

    monkeypatch.setattr(cli, "check", check)
    with pytest.raises(ZeroDivisionError):
        cli.main(["check", "farms"])
