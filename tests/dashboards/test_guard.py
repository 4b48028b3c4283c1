"""Who may see and do what, and what a page from elsewhere cannot do."""

from __future__ import annotations

import io
import sqlite3
import stat

import pytest

from dashboards.accounts import FILE_NAME, Accounts
from dashboards.app import create_app
from dashboards.guard import COOKIE, MOST_FAILURES, Failures
from dashboards.registry import PAGES
from dashboards.serve import serve
from dashboards.visit import OWNER, Place, place_of
from tests.report.invented import assessment
from yieldwatch.cli import main
from yieldwatch.errors import InputError
from yieldwatch.report import write_report

PASSWORD = "four words in a row"
OURS = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def empty(tmp_path) -> Place:
    """A portfolio of which nothing was assessed yet."""
    (tmp_path / "portfolio.toml").write_text('name = "Two fields"\n')
    return place_of(tmp_path, tmp_path / "out")


@pytest.fixture
def accounts(empty) -> Accounts:
    found = Accounts(empty.portfolio / FILE_NAME)
    found.add("Ada", ["owner"], PASSWORD)
    found.add("Piet", ["planner"], PASSWORD)
    return found


def client(place, https=False):
    return create_app(place, https=https).server.test_client()


def sign_in(browser, name="Ada", password=PASSWORD, **more):
    return browser.post("/sign-in", data={"name": name, "password": password, **more}, headers=OURS)


def asked(path: str) -> dict:
    return {"output": "..main.children...menu.children..", "changedPropIds": ["address.href"],
            "outputs": [{"id": "main", "property": "children"}, {"id": "menu", "property": "children"}],
            "inputs": [{"id": "address", "property": "href", "value": f"http://localhost{path}"}]}


def test_without_accounts_this_machine_is_answered_and_no_other_name_for_it(empty):
    browser = client(empty)
    assert browser.get("/").status_code == 200
    assert browser.get("/", headers={"Host": "farm.example"}).status_code == 421


def test_every_address_but_sign_in_health_and_style_asks_for_an_account(empty, accounts):
    browser = client(empty)
    rules = [r for r in browser.application.url_map.iter_rules() if "GET" in r.methods]
    assert len(rules) > 5
    for rule in rules:
        path = "".join(part if not part.startswith("<") else "x" for part in rule.rule.replace(">", "<").split("<"))
        answer = browser.get(path, headers={"Sec-Fetch-Mode": "cors"})
        if path.startswith(("/assets/", "/sign-in", "/health")):
            assert answer.status_code in (200, 404), path
        else:
            assert answer.status_code == 401, path
    assert browser.get("/farms").headers["Location"] == "/sign-in?to=%2Ffarms"


def test_a_sign_in_opens_the_pages_and_a_sign_out_closes_them(empty, accounts):
    browser = client(empty)
    assert sign_in(browser, to="/farms").headers["Location"] == "/farms"
    assert browser.get("/").status_code == 200
    kept = browser.get_cookie(COOKIE).value
    browser.post("/sign-out", headers=OURS)
    browser.set_cookie(COOKIE, kept)
    assert browser.get("/_dash-layout", headers={"Sec-Fetch-Mode": "cors"}).status_code == 401


@pytest.mark.parametrize("to", ["//evil.example/", "https://evil.example", "/\\evil.example", "javascript:alert(1)"])
def test_a_sign_in_never_leads_elsewhere(empty, accounts, to):
    assert sign_in(client(empty), to=to).headers["Location"] == "/"


def test_the_session_cookie_is_out_of_reach_of_scripts_and_of_other_sites(empty, accounts):
    cookie = sign_in(client(empty, https=True)).headers["Set-Cookie"]
    for word in ("HttpOnly", "SameSite=Strict", "Secure"):
        assert word in cookie


def test_a_request_from_another_site_is_refused(empty, accounts):
    browser = client(empty)
    sign_in(browser)
    for headers in ({}, {"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"},
                    {"Origin": "https://evil.example", "Sec-Fetch-Site": "same-origin"}):
        assert browser.post("/_dash-update-component", json=asked("/"), headers=headers).status_code == 403
    assert browser.post("/_dash-update-component", json=asked("/farms"), headers=OURS).status_code == 200


def test_a_page_of_another_role_is_not_built(empty, accounts, monkeypatch):
    for_owners = [p for p in PAGES if p.roles == frozenset({OWNER})]
    assert for_owners
    browser = client(empty)
    sign_in(browser, "Piet")
    for page in for_owners:
        told = browser.post("/_dash-update-component", json=asked(page.path), headers=OURS).get_data(as_text=True)
        assert "This page is for owner" in told
        assert "No assessment" not in told


def test_rows_of_income_and_return_are_for_the_owner(empty, accounts):
    write_report(assessment(), empty.folder)
    browser = client(empty)
    for name, told in (("Piet", "are for the owner"), ("Ada", "What the columns mean")):
        sign_in(browser, name)
        for table in ("bridge", "returns", "statement_checks"):
            shown = browser.post("/_dash-update-component", json=asked(f"/rows/{table}"), headers=OURS).get_data(as_text=True)
            assert told in shown, (name, table)


def test_a_route_of_another_role_is_refused(empty, accounts):
    browser = client(empty)
    sign_in(browser, "Piet")
    closed = [r for p in PAGES for r in p.routes if "planner" not in r.roles and "GET" in r.methods]
    for route in closed:
        assert browser.get(route.path.replace("<", "").replace(">", "")).status_code == 403


def test_roles_count_as_they_are_now_and_a_removed_account_is_out(empty, accounts):
    browser = client(empty)
    sign_in(browser, "Piet")
    accounts.set_roles("Piet", ["owner"])
    assert browser.get("/", headers={"Sec-Fetch-Mode": "navigate"}).status_code == 302
    sign_in(browser, "Piet")
    accounts.remove("Piet")
    assert browser.get("/", headers={"Sec-Fetch-Mode": "navigate"}).status_code == 302


def test_after_some_failures_no_sign_in_is_tried_for_a_while(empty, accounts):
    browser = client(empty)
    for _ in range(MOST_FAILURES):
        assert sign_in(browser, password="not the right one").status_code == 401
    assert sign_in(browser).status_code == 429


def test_failures_are_forgotten_after_their_window():
    now = [0.0]
    failures = Failures(most=2, window_s=10.0, clock=lambda: now[0])
    failures.note("from here")
    failures.note("from here")
    assert failures.too_many("from here", "to Ada")
    now[0] = 11.0
    assert not failures.too_many("from here", "to Ada")


def test_neither_password_nor_session_key_is_in_the_file_and_others_cannot_read_it(empty, accounts):
    browser = client(empty)
    sign_in(browser)
    key = browser.get_cookie(COOKIE).value
    held = accounts.path.read_bytes()
    assert PASSWORD.encode() not in held
    assert key.encode() not in held
    assert stat.S_IMODE(accounts.path.stat().st_mode) == 0o600
    with sqlite3.connect(accounts.path) as store:
        assert all(h.startswith("$argon2id$") for (h,) in store.execute("select hash from accounts"))


def test_the_answer_forbids_foreign_scripts_frames_and_guessing_of_types(empty):
    headers = client(empty).get("/").headers
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    script = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert "unsafe" not in script
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"


def test_the_log_holds_no_secret(empty, accounts, caplog):
    caplog.set_level("INFO")
    browser = client(empty)
    sign_in(browser)
    browser.get("/farms?token=hidden-thing")
    assert PASSWORD not in caplog.text
    assert browser.get_cookie(COOKIE).value not in caplog.text
    assert "hidden-thing" not in caplog.text


def test_other_machines_are_not_served_without_an_account(empty):
    for host, https in (("0.0.0.0", False), ("127.0.0.1", True)):
        with pytest.raises(InputError, match="no account"):
            serve(empty.portfolio, empty.folder, host, 8050, https=https)


def test_the_command_keeps_accounts(empty, monkeypatch, capsys):
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\n"))
    where = str(empty.portfolio)
    assert main(["accounts", where, "add", "Nan", "--role", "analyst", "--role", "planner"]) == 0
    assert main(["accounts", where, "roles", "Nan", "--role", "owner"]) == 0
    assert main(["accounts", where, "list"]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == "Nan: owner"
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    assert main(["accounts", where, "password", "Nan"]) == 1
    assert "5 characters" in capsys.readouterr().err
    assert main(["accounts", where, "remove", "Nan"]) == 0
    assert main(["accounts", where, "remove", "Nan"]) == 1
