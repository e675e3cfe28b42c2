"""Small dense matrices, for a handful of streams and balances. Rows are tuples; nothing here is in place.

Elimination with full choice of the pivot in a column is exact enough for sizes of ten; a pivot below `NOTHING` of what
its row began with is taken for zero, so that a dependent balance is found and not divided by.
"""

from collections.abc import Sequence

Vector = tuple[float, ...]
Matrix = tuple[Vector, ...]

NOTHING = 1e-10
"""Share of a row's largest entry that rounding alone can leave behind."""


class SingularError(ValueError):
    """The equations do not determine what was asked for."""


def transposed(matrix: Matrix) -> Matrix:
    """Return rows as columns."""
    return tuple(zip(*matrix, strict=True))


def times(left: Matrix, right: Matrix) -> Matrix:
    """Multiply two matrices."""
    columns = transposed(right)
    return tuple(tuple(dot(row, column) for column in columns) for row in left)


def applied(matrix: Matrix, vector: Sequence[float]) -> Vector:
    """Multiply a matrix by a column."""
    return tuple(dot(row, vector) for row in matrix)


def dot(left: Sequence[float], right: Sequence[float]) -> float:
    """Multiply a row by a column."""
    return sum(one * other for one, other in zip(left, right, strict=True))


def identity(size: int) -> Matrix:
    """Return the unit matrix."""
    return tuple(tuple(float(row == column) for column in range(size)) for row in range(size))


def solved(matrix: Matrix, right: Matrix) -> Matrix:
    """Solve `matrix x = right` for a square matrix and any number of columns.

    Raises:
        SingularError: the matrix has no inverse.
    """
    size = len(matrix)
    rows, pivots = _eliminated(matrix, right)
    if len(pivots) < size:
        raise SingularError(f"only {len(pivots)} of {size} equations are independent")
    place_of = {column: row for row, column in pivots}
    return tuple(rows[place_of[column]][size:] for column in range(size))


def independent_rows(matrix: Matrix) -> tuple[int, ...]:
    """Return the first rows that no earlier ones add up to, in order; their count is the rank."""
    kept: list[int] = []
    for place in range(len(matrix)):
        chosen = tuple(matrix[row] for row in (*kept, place))
        if len(_eliminated(chosen, ((),) * len(chosen))[1]) == len(chosen):
            kept.append(place)
    return tuple(kept)


def left_null_space(matrix: Matrix) -> Matrix:
    """Return independent rows p with p times matrix = 0: what is left of the equations without these unknowns."""
    size = len(matrix)
    rows, pivots = _eliminated(matrix, identity(size))
    used = {row for row, _ in pivots}
    wide = len(matrix[0]) if matrix else 0
    return tuple(rows[place][wide:] for place in range(size) if place not in used)


def _eliminated(matrix: Matrix, right: Matrix) -> tuple[list[Vector], list[tuple[int, int]]]:
    """Bring (matrix | right) to reduced form; return its rows and the (row, column) of each pivot."""
    wide = len(matrix[0]) if matrix else 0
    rows = [(*row, *more) for row, more in zip(matrix, right, strict=True)]
    sizes = [max((abs(value) for value in row), default=0.0) for row in matrix]
    free = list(range(len(rows)))
    pivots: list[tuple[int, int]] = []
    for column in range(wide):
        best = max(free, key=lambda place: abs(rows[place][column]) / (sizes[place] or 1.0), default=None)
        if best is None or abs(rows[best][column]) <= NOTHING * sizes[best]:
            continue
        free.remove(best)
        pivots.append((best, column))
        pivot = rows[best][column]
        rows[best] = tuple(value / pivot for value in rows[best])
        for place, row in enumerate(rows):
            share = row[column]
            if place != best and share != 0.0:
                cleared = [value - share * other for value, other in zip(row, rows[best], strict=True)]
                cleared[column] = 0.0
                rows[place] = tuple(cleared)
    return rows, pivots
