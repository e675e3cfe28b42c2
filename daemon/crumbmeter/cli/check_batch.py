"""The words of `crumbmeter check` about a batch plant. Pure."""

from collections.abc import Callable, Sequence

from crumbmeter.site.explain_batch import BatchWords, ChargeWords, IngredientWords

Fill = Callable[[str, int], str]
Table = Callable[[Sequence[Sequence[str]], str, int], str]


def ingredients_text(words: BatchWords, fill: Fill) -> str:
    """Write what batches are made of."""
    return "\n".join(_ingredient(one, fill) for one in words.ingredients)


def _ingredient(one: IngredientWords, fill: Fill) -> str:
    lines = [f"  {one.ingredient_id} ({one.kind}): weighed by {one.register} in {one.unit}"]
    lines.append(fill("corrected: " + "; ".join(one.corrections), 6))
    ahead = f"announced by {one.announced}: a charge is dosed ahead for that, and put right for what is weighed"
    alone = "not announced: a charge is dosed ahead for what the batch before weighed"
    lines.append(fill(ahead if one.announced else alone, 6))
    return "\n".join(lines)


def hand_shake_text(words: BatchWords, fill: Fill, table: Table) -> str:
    """Write the registers of the hand-shake, and the window."""
    rows = [["", "register", "what it says"]]
    rows += [[f"read: {one.name}", one.register, one.says] for one in words.reads]
    rows += [[f"written: {one.name}", one.register, one.says] for one in words.writes]
    window = (
        f"The plant holds the dry mix for at most {words.longest_window_s:g} s. A charge that would not all be in by "
        f"then is not begun; one that is being blown in is cut off after {words.latest_s:.1f} s of the window, so that "
        f"its last dust still arrives inside."
    )
    fills = (
        "The weigh hopper fills to order, between charges."
        if words.fills_to_order
        else "The weigh hopper fills when the feeder itself wants to, also under a charge: no output refill is named."
    )
    return "\n".join((table(rows, "", 2), fill(window, 2), fill(fills, 2)))


def charges_text(words: BatchWords, fill: Fill, table: Table) -> str:
    """Write what each mix asks for at three batch sizes."""
    if not words.charges:
        return "  No mix with rubber."
    rows = [["mix", "batch", "short_ton", "tonne", "rubber, lb", "rubber, kg", "dosed in, s", "blown in within, s"]]
    rows += [_row(one) for one in words.charges]
    note = (
        "Sizes are of mix without rubber, from batch.normal_mix and the ingredients' shares; virgin binder is what the "
        "job mix formula asks for. Each real charge goes by what is announced and weighed."
    )
    return "\n".join((table(rows, "llrrrrrr", 2), fill(note, 2)))


def _row(one: ChargeWords) -> list[str]:
    return [
        one.mix_id, one.size, f"{one.mix_short_ton:.2f}", f"{one.mix_tonne:.2f}", f"{one.rubber_lb:.2f}",
        f"{one.rubber_kg:.2f}", f"{one.dose_s:.0f}", f"{one.blow_s:.0f}",
    ]  # fmt: skip
