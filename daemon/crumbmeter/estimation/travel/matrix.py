"""Small symmetric systems: solved, inverted. A dozen unknowns at most."""

from collections.abc import Sequence

Matrix = list[list[float]]


class SingularError(ArithmeticError):
    """The unknowns cannot be told apart: solve for fewer of them."""


def solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """Solve `matrix @ x = right` by elimination with the largest pivot.

    Raises:
        SingularError: a pivot vanishes.
    """
    size = len(right)
    rows = [[*row, value] for row, value in zip(matrix, right, strict=True)]
    scale = max((abs(value) for row in matrix for value in row), default=0.0)
    for column in range(size):
        pivot = max(range(column, size), key=lambda row: abs(rows[row][column]))
        if abs(rows[pivot][column]) <= 1e-14 * scale or scale == 0.0:
            raise SingularError(f"no pivot in column {column} of {size}")
        rows[column], rows[pivot] = rows[pivot], rows[column]
        top = rows[column]
        for below in rows[column + 1 :]:
            factor = below[column] / top[column]
            if factor:
                for place in range(column, size + 1):
                    below[place] -= factor * top[place]
    found = [0.0] * size
    for row in range(size - 1, -1, -1):
        known = sum(rows[row][place] * found[place] for place in range(row + 1, size))
        found[row] = (rows[row][size] - known) / rows[row][row]
    return found


def scaled_inverse(matrix: Sequence[Sequence[float]]) -> Matrix:
    """Invert a symmetric positive matrix whose unknowns have very different sizes.

    Raises:
        SingularError: it has no inverse.
    """
    size = len(matrix)
    roots = [matrix[place][place] ** 0.5 for place in range(size)]
    if not all(root > 0.0 for root in roots):
        raise SingularError("an unknown changes nothing")
    even = [[matrix[i][j] / roots[i] / roots[j] for j in range(size)] for i in range(size)]
    columns = [solve(even, [1.0 if row == place else 0.0 for row in range(size)]) for place in range(size)]
    return [[columns[j][i] / roots[i] / roots[j] for j in range(size)] for i in range(size)]


def product(left: Sequence[Sequence[float]], right: Sequence[Sequence[float]]) -> Matrix:
    """Multiply two matrices."""
    columns = list(zip(*right, strict=True))
    return [[sum(a * b for a, b in zip(row, column, strict=True)) for column in columns] for row in left]


def variance_of(covariance: Sequence[Sequence[float]], slopes: Sequence[float]) -> float:
    """Return the variance of a quantity with these slopes to the unknowns (JCGM 100, 5.2.2)."""
    return sum(a * b * covariance[i][j] for i, a in enumerate(slopes) if a for j, b in enumerate(slopes) if b)
