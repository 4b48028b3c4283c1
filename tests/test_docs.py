"""README.md and DEVELOPERS.md say what is so: their commands, tables and examples are those of the code."""

import argparse
import os
import re
import shlex
from pathlib import Path

import pytest

from tests import make_readme
from yieldwatch import cli
from yieldwatch.columns import TABLES
from yieldwatch.constants import CAUSES
from yieldwatch.portfolio import keys
from yieldwatch.report.schema import TABLES as WRITTEN

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
CI = ROOT / ".ci" / "run"

#: What an example needs, from nothing but Python: an environment, the project, and then the command itself.
ENVIRONMENT = "python3 -m venv .venv && .venv/bin/pip install -q "


def commands():
    """Lines of the README's shell blocks."""
    return [line for block in re.findall(r"```sh\n(.*?)```", README, re.DOTALL) for line in block.splitlines()]


def subcommands():
    actions = cli.main_parser()._actions
    return next(a for a in actions if isinstance(a, argparse._SubParsersAction)).choices


def quoted(text):
    """What stands between backticks."""
    return set(re.findall(r"`([^`\n]+)`", text))


def test_each_command_that_the_readme_opens_with_is_complete_in_itself():
    whole = [line for line in commands() if line.startswith(ENVIRONMENT)]
    assert [line.split(" && ")[-1] for line in whole] == [
        ".venv/bin/yieldwatch assess sample_portfolio",
        ".venv/bin/python -m pytest",
    ]


def test_ci_runs_the_readmes_own_test_command():
    command = next(line for line in commands() if line.endswith("pytest"))
    assert command in CI.read_text(encoding="utf-8").splitlines()
    assert os.access(CI, os.X_OK)


@pytest.mark.parametrize("line", [c for c in commands() if "yieldwatch " in c])
def test_the_parser_takes_every_command_of_the_readme(line):
    program, *arguments = shlex.split(line.split(" && ")[-1])
    assert Path(program).name == "yieldwatch"
    cli.main_parser().parse_args(arguments)


def test_the_sample_can_be_checked(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    assert cli.main(["check", "sample_portfolio"]) == cli.OK
    said = capsys.readouterr().out
    for site in (ROOT / "sample_portfolio" / "sites").iterdir():
        assert f"({site.name})" in said


def test_the_readmes_own_portfolio_can_be_checked(tmp_path, monkeypatch, capsys):
    files = re.findall(r"^`(mine/[^`]+)`[^`]*(?:`[^`\n]+`[^`]*)*?```(?:toml|csv)\n(.*?)```", README, re.DOTALL | re.MULTILINE)
    assert len(files) == 8
    for name, content in files:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(content, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    status = cli.main(["check", "mine"])
    said = capsys.readouterr()
    assert status == cli.OK, said.err
    assert "1 inverter, 2 strings, 16.0 kW DC, 60.0 kW AC" in said.out  # 2 x 20 x 400 W
    assert "No input row was set aside" in said.out


@pytest.mark.parametrize("command", sorted(subcommands()))
def test_every_command_and_option_is_in_the_readme(command):
    assert f"`yieldwatch {command} {'TOPIC' if command == 'explain' else 'PORTFOLIO'}`" in README
    documented = {word for text in quoted(README) for word in text.split()}
    options = {o for action in subcommands()[command]._actions for o in action.option_strings if o.startswith("--")}
    assert options <= documented


def test_the_readmes_tables_are_the_codes():
    assert make_readme.filled(README, make_readme.blocks()) == README, "Run python -m tests.make_readme."


def test_every_column_of_the_format_is_in_the_readme():
    names = {c.name for table in TABLES.values() for c in table.columns}
    settings = {c.name for value in vars(keys).values() if isinstance(value, tuple) for c in value if hasattr(c, "need")}
    written = {c for columns in WRITTEN.values() for c in columns}
    assert {"poa_global_w_m2", "modules_in_series"} <= names
    assert {"tilt_deg", "works_budget"} <= settings
    assert names | settings | written | set(CAUSES) <= quoted(README)


def test_every_table_has_a_place_in_a_group():
    assert sorted(n for group in make_readme.GROUPS.values() for n in group) == sorted(TABLES)


def test_a_readme_without_its_markers_is_refused():
    with pytest.raises(ValueError, match=r'the block "owned" is not there once'):
        make_readme.filled("no markers", {"owned": "text"})


def test_the_answer_in_the_readme_is_of_the_sample():
    answer = re.search(r"<!-- answer: .*?-->\n```text\n(.*?)```\n<!-- end of answer -->", README, re.DOTALL)
    assert answer, "Run python -m tests.make_readme --answer."
    for path in (ROOT / "sample_portfolio" / "sites").glob("*/site.toml"):
        name = re.search(r'^name = "(.+)"', path.read_text(encoding="utf-8"), re.MULTILINE).group(1)
        assert name in answer.group(1)


def modules(*skipped):
    """Path and text of each module of the package that is not in a skipped folder or file."""
    for path in sorted((ROOT / "yieldwatch").rglob("*.py")):
        if not set(path.relative_to(ROOT / "yieldwatch").parts) & set(skipped):
            yield path, path.read_text(encoding="utf-8")


def test_every_assumption_that_a_site_can_replace_is_in_the_readme():
    names = {n for _, text in modules() for n in re.findall(r'\.assumed\(\s*"(\w+)"', text)}
    assert names
    assert names <= quoted(README)
    assert names == {c.name for c in keys.ASSUMPTIONS}


def test_the_developers_guide_names_every_folder_and_module():
    paths = [p.relative_to(ROOT) for p in (ROOT / "yieldwatch").rglob("*.py") if not p.name.startswith("__")]
    folders = {f"{parent.as_posix()}/" for p in paths for parent in p.parents if parent.name}
    assert not {f for f in folders if f"`{f}`" not in DEVELOPERS and f"`{f.split('/')[-2]}/`" not in DEVELOPERS}
    assert not {p.as_posix() for p in paths if f"{p.name}`" not in DEVELOPERS}


def test_every_path_in_the_developers_guide_is_there():
    paths = {q for q in quoted(DEVELOPERS) if re.fullmatch(r"[\w.]+(/[\w.]+)*(/|\.py|\.md|\.toml)", q)}
    assert len(paths) > 20
    there = [p.relative_to(ROOT) for top in ("yieldwatch", "dashboards", "tests") for p in (ROOT / top).rglob("*")]
    ends = {part for p in there for n in range(len(p.parts)) for part in [Path(*p.parts[n:]).as_posix()]}
    ends |= {p.name for p in ROOT.iterdir()}
    assert not {p for p in paths if p.rstrip("/") not in ends}


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_between_the_documents_lead_somewhere(text):
    for target in re.findall(r"`((?:README|DEVELOPERS|LICENSE)[\w.]*)`", text):
        assert (ROOT / target).exists()


def test_every_module_that_the_guide_runs_is_there():
    for name in re.findall(r"python -m (tests[\w.]+)", DEVELOPERS + README):
        assert (ROOT / (name.replace(".", "/") + ".py")).exists()
