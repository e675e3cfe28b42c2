"""The page without a plant: what was recorded of the real daemon and desk, changed to the state to be looked at.

`STATES` names the states; each is one change of the recorded view. The page's files come from the checkout, under the
same content policy as the desk's.
"""

import copy
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, Route

from crumbmeter.web.static import TYPES
from tests.browser.bench import Watched

Json = dict[str, Any]
PAGE = Path(__file__).resolve().parents[2] / "daemon" / "crumbmeter" / "web" / "page"
RECORDED: Json = json.loads(Path(__file__).with_name("recorded.json").read_text())
ADDRESS = "http://desk.invalid"
WALL = "2026-05-04T14:32:10Z"
END_S = 1777905130
"""[s] The same moment, UTC since 1970: where the trend ends."""
POLICY = "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"


def calm(view: Json) -> None:
    """Feeding, in order, no alarm."""
    view["alarms"] = []
    view["scan_age_s"] = 0.05
    view["dose_uncertainty"] |= {"dose_fraction": 0.00497, "expanded_fraction": 0.00011, "quality": "Good"}
    view["line"] |= {"diagnosis": "as learned", "soonest_s": None, "latest_s": None}


def alarm(alarm_id: str, state: str = "unacknowledged", since_s: float = 20.0, **more: Any) -> Json:
    """Make one alarm of the catalogue."""
    (entry,) = (one for one in RECORDED["alarms/catalogue"] if one["alarm_id"] == alarm_id)
    body = {key: entry[key] for key in ("alarm_id", "priority", "text", "remedy")}
    extra = {"first_out": False, "shelf_left_s": 0.0, "put_aside_by": "", "put_aside_why": ""}
    return body | extra | {"state": state, "since_s": RECORDED["view"]["process_time_s"] - since_s} | more


def _reading(view: Json, key: str, quality: str, reason: str, age_s: float) -> None:
    value = None if quality == "Bad" else view[key]["value"]
    view[key] = {"value": value, "quality": quality, "reason": reason, "age_s": age_s}


def uncertain(view: Json) -> None:
    """The hopper refills: the weight says nothing."""
    calm(view)
    _reading(view, "fed_kg_s", "Uncertain", "last usable value", 4.4)


def bad(view: Json) -> None:
    """The hopper's weight is lost."""
    calm(view)
    for key in ("fed_kg_s", "hopper_mass_kg"):
        _reading(view, key, "Bad", "no communication", 7.2)
    view["alarms"] = [alarm("input_lost", first_out=True), alarm("supply_low", "acknowledged", 400.0)]
    view["feed_error_fraction"] = None


def learning(view: Json) -> None:
    """Feeding, before the feed factor has settled."""
    calm(view)
    view["learning"] = True


def stopped(view: Json) -> None:
    """Stopped by itself, with what follows from it."""
    calm(view)
    view |= {"run_state": "stopped", "run_reason": "line pressure high", "in_service": False, "setpoint_kg_s": 0.0}
    view["fed_kg_s"]["value"] = view["auger_speed_rev_s"]["value"] = 0.0
    view["outputs"]["values"][0]["value"] = 0.0
    view |= {"feed_error_fraction": None, "fed_uncertainty_kg_s": 0.0}
    view["supply"] |= {"hopper_empty_in_s": None, "empty_in_s": None}
    view["narrowed"] = [{"stage": "run state", "reason": "line pressure high"}]
    view["permissives"][1] |= {"met": False, "why": "start the feed"}
    view["permissives"][5] |= {"met": None, "why": "no reading"}
    view["alarms"] = [
        alarm("feed_stopped", since_s=25.0, text="The rubber feed has stopped by itself: line pressure high"),
        alarm("pressure_high", since_s=26.0, first_out=True),
        alarm("dose_warning", "returned, unacknowledged", 300.0),
        alarm("supply_low", "shelved", 500.0, shelf_left_s=1400.0, put_aside_by="ana (operator, desk)",
              put_aside_why="bag stands beside the hopper"),
        alarm("flow_switch", "out of service", 90000.0, put_aside_by="integrator (integrator, desk)",
              put_aside_why="switch is at the workshop"),
        alarm("other_master", "latched, acknowledged", 900.0),
    ]  # fmt: skip


def flood(view: Json) -> None:
    """More alarms at once than fit."""
    stopped(view)
    view["alarm_flood"] = True
    view["note"] = {"text": "Left leg is noisy.", "who": "ben (operator, desk) (uid 7)", "age_s": 7200.0}
    view["alarms"] += [
        alarm(name) for name in ("no_rubber_flow", "input_lost", "hopper_low", "write_not_confirmed", "line_air_low")
    ]


def monitor(view: Json) -> None:
    """Before control has been enabled."""
    calm(view)
    view |= {"run_state": "monitor only", "run_reason": "control is not enabled", "control_enabled": False,
             "in_service": False, "setpoint_kg_s": 0.0, "mix_rate_kg_s": 0.0}  # fmt: skip
    view["supply"] |= {"hopper_empty_in_s": None, "empty_in_s": None}
    view["outputs"]["write_enabled"] = False
    view["fed_kg_s"]["value"] = view["auger_speed_rev_s"]["value"] = 0.0
    view |= {"feed_error_fraction": None, "look_ahead_error_fraction": None, "fed_uncertainty_kg_s": 0.0}
    view["permissives"][0] |= {"met": False, "why": "an integrator enables it"}


def batch(view: Json) -> None:
    """A batch plant: the shape of docs/batch.md, the figures invented."""
    calm(view)
    view["batch"] = {
        "phase": "discharging", "reason": "the window is open", "batch_count": 41, "rubber_wanted": True,
        "window_s": 6.2, "target_kg": 12.25, "need_kg": 0.0, "vessel_kg": 7.94, "batch_rubber_kg": 4.31,
        "batch_target_kg": 12.25, "last_error_fraction": -0.004, "wasted_kg": 12.3,
    }  # fmt: skip


STATES: dict[str, Callable[[Json], None]] = {
    made.__name__: made for made in (calm, uncertain, bad, learning, stopped, flood, monitor, batch)
}


class Stage:
    """One page that shows one state."""

    def __init__(self, browser: Browser, state: str = "calm", *, role: str = "operator", **options: Any) -> None:
        self.state = state
        self.settings: Json = copy.deepcopy(RECORDED["settings"]) | {"zone": "America/Denver"}
        self.session: Json = {
            "who": "ana", "role": role, "token": "t", "ends_in_s": 28000.0, "must_change_password": False,
        }  # fmt: skip
        self.sent: list[Json] = []
        self.actions = copy.deepcopy(RECORDED["integrator" if role == "integrator" else "actions"])
        self.silent = False
        self.watched = Watched(browser, ADDRESS, **options)
        self.page: Page = self.watched.page()
        self.page.route(re.compile(r".*"), self._serve)

    def view(self) -> Json:
        """Return the view of the state."""
        view: Json = copy.deepcopy(RECORDED["view"]) | {"link": {"up": True, "silent_s": 0.1}}
        STATES[self.state](view)
        view["seq"] = list(STATES).index(self.state)
        return view

    def show(self, state: str, where: str = "now") -> Page:
        """Change to another state and view, at the first size and light; wait until the page has it."""
        self.state = state
        self.sent.clear()
        self.page.keyboard.press("Escape")
        self.page.emulate_media(color_scheme="light")
        self.page.set_viewport_size({"width": 1280, "height": 800})
        self.page.goto(f"{ADDRESS}/#{where}")  # the same page: only its view changes
        self.page.locator(f"body[data-link=fresh][data-seq='{list(STATES).index(state)}']").wait_for()
        return self.page

    def open(self, where: str = "now") -> Page:
        """Open the page, and wait until it shows the view."""
        self.page.goto(f"{ADDRESS}/#{where}")
        self.page.locator("body[data-link=fresh]").wait_for()
        return self.page

    def _serve(self, route: Route) -> None:
        path = route.request.url.removeprefix(ADDRESS).partition("?")[0]
        if not path.startswith("/api/"):
            self._file(route, "index.html" if path == "/" else path.removeprefix("/assets/"))
        elif path == "/api/v1/stream":
            self._stream(route)
        else:
            self._api(route, path.removeprefix("/api/v1/"))

    def _file(self, route: Route, name: str) -> None:
        path = PAGE / name
        headers = {"content-type": TYPES[path.suffix], "content-security-policy": POLICY}
        route.fulfill(body=path.read_bytes(), headers=headers)

    def _stream(self, route: Route) -> None:
        if self.silent:
            return  # never answered, as by a desk that is frozen
        beat = {"wall_time": WALL, "link": {"up": True, "silent_s": 0.1}}
        events = (("view", self.view()), ("beat", beat))
        body = "".join(f"event: {name}\ndata: {json.dumps(data)}\n\n" for name, data in events)
        route.fulfill(body=body, headers={"content-type": "text/event-stream"})

    def _api(self, route: Route, name: str) -> None:
        said: Any = {
            "session": self.session, "settings": self.settings, "actions": _choices(self.actions, self.view()),
            "trend": _trend(), "alarms/catalogue": RECORDED["alarms/catalogue"],
            "people": [{"name": "ana", "role": "operator", "must_change_password": False}],
        }.get(name)  # fmt: skip
        if name == "commands":
            self.sent.append(dict(route.request.post_data_json or {}))
            said = {"id": "1", "accepted": True, "why": "", "outcome": {"name": "done", "detail": {}}}
        route.fulfill(json=said)

    def close(self) -> None:
        """Close it, and fail on what should not have happened."""
        self.watched.context.close()
        assert self.watched.errors == []
        assert self.watched.elsewhere == []


def _trend() -> Json:
    """Return the ten minutes that were recorded, moved to the staged time."""
    columns = RECORDED["trend?minutes=10"]["columns"]
    return {"period_s": 1, "columns": columns | {"t_s": [END_S - 600 + at for at in range(600)]}}


def _choices(actions: list[Json], view: Json) -> list[Json]:
    """Offer what the alarms of the view allow, by their table of states."""
    unseen = [one["alarm_id"] for one in view["alarms"] if "unack" in one["state"]]
    offered = {
        "acknowledge": unseen,
        "reset alarm": [one["alarm_id"] for one in view["alarms"] if one["state"] == "latched, acknowledged"],
        "unshelve alarm": [one["alarm_id"] for one in view["alarms"] if one["state"] == "shelved"],
    }
    made = copy.deepcopy(actions)
    for action in made:
        if action["kind"] in offered:
            names = offered[action["kind"]]
            action["subject"]["choices"] = names
            action |= {"allowed": bool(names), "why_not": "" if names else "no alarm is in such a state"}
    return made
