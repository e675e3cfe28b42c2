"""Lessons for a training: the file that comes with the project, and what is no such file."""

import json
from pathlib import Path

import pytest

from crumbmeter.cli.train import read_lessons
from crumbmeter_sim.orders import obey
from crumbmeter_sim.rig import Rig
from tests.closed_loop import ROOT

FILE = ROOT / "config/training/lessons.toml"


def test_every_step_of_every_lesson_is_one_that_the_simulated_plant_does() -> None:
    lessons = read_lessons(FILE)
    rig = Rig.from_scenario(lessons.scenario)
    assert rig.duration_s >= 8 * 3600.0
    titles = " ".join(lesson.title for lesson in lessons.lessons).lower()
    assert all(word in titles for word in ("bridge", "plugged", "freezes", "bag", "plant stops"))
    for lesson in lessons.lessons:
        for step in (*lesson.do, *lesson.ends):
            assert obey(rig, json.dumps(step)) == f"DONE {step['do']}"
        rig.advance(1.0)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("scenario = ", "lessons.toml: "),
        ('[[lesson]]\ntitle = "x"\ndo = []\n', "expected scenario"),
        ('scenario = "day.toml"\n[[lesson]]\ntitle = "x"\n', "title and do in each"),
        ('scenario = "day.toml"\n', "no [[lesson]]"),
    ],
)
def test_a_file_that_is_none_is_refused_with_its_place(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "lessons.toml"
    path.write_text(text)
    with pytest.raises(ValueError, match=r"lessons\.toml") as refused:
        read_lessons(path)
    assert why in str(refused.value)
