"""The pages and schemas in the repository are those that the models make; nothing that exists is left out of them."""

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from crumbmeter.cli.reference import STORED, Page, page_text
from crumbmeter.site.editor_schema import profile_schema, site_schema
from crumbmeter.site.keys.base import Keys
from crumbmeter.site.keys.job import JobFile
from crumbmeter.site.keys.profile import ProfileKeys
from crumbmeter.site.keys.quality import QualityPlanFile
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.reference import unit_of
from crumbmeter.site.refusals import REFUSALS
from crumbmeter.site.validate import FORMS, known_keys, metadata_of, models_in

ROOT = Path(__file__).parents[3]
SITES = sorted((ROOT / "config/sites").glob("*.toml"))
PROFILES = sorted((ROOT / "config/devices").glob("*.toml"))


@pytest.mark.parametrize("page", list(Page))
def test_stored_page_is_the_one_that_the_models_make(page: Page) -> None:
    stored = STORED[page]
    assert (ROOT / stored).read_text("utf-8") == page_text(page), f"run: crumbmeter reference {page.value} > {stored}"


def all_models(model: type[Keys]) -> set[type[Keys]]:
    found = {model}
    for info in model.model_fields.values():
        for inner in models_in(info.annotation):
            found |= all_models(inner)
    return found


MODELS = sorted(
    all_models(SiteFile) | all_models(ProfileKeys) | all_models(QualityPlanFile) | all_models(JobFile),
    key=lambda model: model.__name__,
)


@pytest.mark.parametrize("model", MODELS)
def test_every_key_has_a_description_and_every_model_a_sentence(model: type[Keys]) -> None:
    assert model.__doc__
    for key, info in known_keys(model).items():
        assert info.description, key


@pytest.mark.parametrize("model", MODELS)
def test_every_number_says_its_unit_in_its_key(model: type[Keys]) -> None:
    for key, info in known_keys(model).items():
        if "float" in str(info.annotation) and not list(models_in(info.annotation)):
            assert unit_of(key), key


@pytest.mark.parametrize("model", MODELS)
def test_every_number_has_limits(model: type[Keys]) -> None:
    for key, info in known_keys(model).items():
        if re.search(r"\b(float|int)\b", str(info.annotation)) and not list(models_in(info.annotation)):
            text = str([*metadata_of(info), info.annotation])
            assert re.search(r"\b(Ge|Gt|ge|gt)\b", text), key
            assert re.search(r"\b(Le|Lt|le|lt)\b", text), key


def test_every_key_stands_in_the_page() -> None:
    pages = ("docs/site-file.md", "docs/quality-plan.md", "docs/job-file.md")
    page = "".join((ROOT / name).read_text("utf-8") for name in pages)
    for model in MODELS:
        for key in known_keys(model):
            assert f"`{key}`" in page or f"[{key}" in page, key


def patterns(value: Any) -> set[str]:
    if isinstance(value, dict):
        own = {value["pattern"]} if isinstance(value.get("pattern"), str) else set()
        return own.union(*(patterns(item) for item in value.values()))
    return set().union(*(patterns(item) for item in value)) if isinstance(value, list) else set()


def test_every_pattern_has_words() -> None:
    files = (QualityPlanFile.model_json_schema(), JobFile.model_json_schema())
    assert set().union(*map(patterns, (site_schema(), profile_schema(), *files))) <= set(FORMS)


def test_codes_in_the_source_and_in_the_table_are_the_same() -> None:
    source = "".join(
        path.read_text("utf-8")
        for path in (ROOT / "daemon/crumbmeter/site").rglob("*.py")
        if "refusals" not in path.parts
    )
    assert {code for code in REFUSALS if f'"{code}"' not in source} == set()


@pytest.mark.parametrize("site", SITES, ids=lambda path: path.stem)
def test_editors_accept_the_sites(site: Path) -> None:
    schema = json.loads((ROOT / "config/schema.json").read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    errors = list(Draft202012Validator(schema).iter_errors(tomllib.loads(site.read_text("utf-8"))))
    assert not errors


@pytest.mark.parametrize("profile", PROFILES, ids=lambda path: path.stem)
def test_editors_accept_the_profiles(profile: Path) -> None:
    schema = json.loads((ROOT / "config/device-schema.json").read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    errors = list(Draft202012Validator(schema).iter_errors(tomllib.loads(profile.read_text("utf-8"))))
    assert not errors


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (("site", "scan_period_s", 0), "minimum"),
        (("feeder", "mode", "speedy"), "enum"),
        (("feeder", "modus", "speed"), "additionalProperties"),
        (("outputs", "horn", {"register": "feeder.run"}), "additionalProperties"),
        (("feeder", "low_mass_kg", 30.0), "oneOf"),
        (("signals", "Bad-Name", {"source": "a.b", "max_age_s": 1.0}), "additionalProperties"),
    ],
)
def test_editors_refuse_mistakes(change: tuple[str, str, Any], word: str) -> None:
    data = tomllib.loads((ROOT / "config/sites/demo_drum.toml").read_text("utf-8"))
    section, key, value = change
    data[section][key] = value
    errors = list(Draft202012Validator(site_schema()).iter_errors(data))
    assert word in {error.validator for error in errors}
