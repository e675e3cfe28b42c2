"""Numbers to register words, for the made-up maps: apart from the daemon's codec, which is under test."""

import struct

ONE = ("u16", "i16", "bcd16", "sm16")
TWO = ("u32", "i32", "f32", "bcd32", "sm32")
FOUR = ("u64", "i64", "f64")
TYPES = (*ONE, *TWO, *FOUR)
FLOATS = ("f32", "f64")
ORDERS = ("ABCD", "CDAB", "BADC", "DCBA")
_BYTES = {**dict.fromkeys(ONE, 2), **dict.fromkeys(TWO, 4), **dict.fromkeys(FOUR, 8)}


def limits(kind: str) -> tuple[float, float]:
    """Return the least and greatest raw number."""
    bits = 8 * _BYTES[kind]
    if kind.startswith("u"):
        return 0.0, 2.0**bits - 1.0
    if kind.startswith("i"):
        return -(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1.0
    if kind.startswith("sm"):
        return 1.0 - 2.0 ** (bits - 1), 2.0 ** (bits - 1) - 1.0
    if kind.startswith("bcd"):
        return 0.0, 10.0 ** (bits // 4) - 1.0
    return -1e30, 1e30


def encode(kind: str, order: str, raw: float) -> list[int]:
    """Return the words of a raw number; one outside the type stands at its end."""
    size = _BYTES[kind]
    if kind in FLOATS:
        data = struct.pack(">f" if kind == "f32" else ">d", raw)
    else:
        low, high = limits(kind)
        whole = round(min(max(raw, low), high)) if size < 8 else round(raw)
        if kind.startswith("bcd"):
            data = bytes.fromhex(f"{whole:0{2 * size}d}")
        elif kind.startswith("sm"):
            data = (abs(whole) | (1 << (8 * size - 1) if whole < 0 else 0)).to_bytes(size, "big")
        else:
            data = whole.to_bytes(size, "big", signed=kind.startswith("i"))
    return _laid_out(data, order)


def _laid_out(data: bytes, order: str) -> list[int]:
    """Words as they come over the wire; each names the bytes of the first four, and goes on so."""
    words = [data[at : at + 2] for at in range(0, len(data), 2)]
    if order in ("CDAB", "DCBA"):
        words.reverse()
    if order in ("BADC", "DCBA"):
        words = [word[::-1] for word in words]
    return [int.from_bytes(word, "big") for word in words]
