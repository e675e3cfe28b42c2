"""Cross checks of what only a drum plant has, or only a batch plant. Pure."""

from crumbmeter.site.draft import OF_BATCHES, OF_DRUM, Draft
from crumbmeter.site.keys.site import SiteFile
from crumbmeter.site.problems import nearest
from crumbmeter.site.validate import known_keys, models_in

DRUM_KEYS = (
    ("site", "parcel_kg"),
    ("feeder", "below_turndown"),
    ("tolerance", "window"),
    ("tolerance", "window_s"),
)
"""Keys (or quantities with a choice of units) inside common tables that a drum plant must have."""


def check_kind(draft: Draft) -> None:
    """Check that a site has all of its own kind of plant, and nothing of the other."""
    batches = draft.makes_batches
    for section in OF_DRUM if batches else OF_BATCHES:
        if section in draft.doc.data:
            draft.say("other-plant", (section,), _words(batches=batches))
    for section, quantity in DRUM_KEYS:
        table = draft.raw(section)
        if section not in draft.doc.data:
            continue
        keys = _keys(section, quantity)
        given = [key for key in keys if key in table]
        if batches:
            for key in given:
                draft.say("other-plant", (section, key), _words(batches=True))
        elif not given and not any(nearest(key, keys) for key in _unknown(section, draft)):
            _missing(draft, section, quantity, keys)


def _words(*, batches: bool) -> str:
    return (
        "is of a drum plant, and this site has [batch]" if batches else "is of a batch plant, and there is no [batch]"
    )


def _keys(section: str, quantity: str) -> tuple[str, ...]:
    model = next(models_in(known_keys(SiteFile)[section].annotation))
    return model.choices[quantity].names if quantity in model.choices else (quantity,)


def _unknown(section: str, draft: Draft) -> list[str]:
    known = known_keys(next(models_in(known_keys(SiteFile)[section].annotation)))
    return [key for key in draft.raw(section) if key not in known]


def _missing(draft: Draft, section: str, quantity: str, keys: tuple[str, ...]) -> None:
    if len(keys) == 1:
        draft.say("missing-key", (section, quantity), "is missing", remedy=f"Add {quantity} to [{section}].")
        return
    remedy = f"Add one of them to [{section}]."
    draft.say("missing-key", (section, quantity), f"is missing: {' or '.join(keys)}", remedy=remedy)
