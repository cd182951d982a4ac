"""Anderson's acceleration of a loop that turns a state, its ages and what shrank into each class. Compiled (jit)."""

from ..base.numerics.jit import law
from .records import UNKNOWNS

AGES = 6  # which share of the ages, one in so many, tells how far a state is from its answer


@law
def accelerate(Z, G, count, mixing, z, A, b):
    """Next point of Anderson's method from the last points Z and their residuals G (rows, newest last); A, b: room.

    Of ages every AGES-th has a say, but all go along. Source: Walker & Ni 2011, SIAM J. Numer. Anal. 49:1715; mixing
    below 1 damps the step.
    """
    d, known = count - 1, Z.shape[1]
    n = (known - UNKNOWNS) // 2
    for i in range(d):
        b[i] = 0.0
        for j in range(d):
            A[i, j] = 0.0
    for p in range(UNKNOWNS + (n + AGES - 1) // AGES):
        q = p if p < UNKNOWNS else UNKNOWNS + (p - UNKNOWNS) * AGES
        weight = 1.0 if p < UNKNOWNS else AGES / n
        for i in range(d):
            step = weight * (G[i + 1, q] - G[i, q])
            b[i] += step * G[count - 1, q]
            for j in range(d):
                A[i, j] += step * (G[j + 1, q] - G[j, q])
    for i in range(d):
        A[i, i] = A[i, i] * (1.0 + 1e-12) + 1e-300
    _solve_small(A, b, d)
    for q in range(known):
        z[q] = Z[count - 1, q] + mixing * G[count - 1, q]
        for i in range(d):
            z[q] -= b[i] * (Z[i + 1, q] - Z[i, q] + mixing * (G[i + 1, q] - G[i, q]))


@law
def _solve_small(A, b, n):
    """Solve the symmetric positive n x n system A y = b in place (Gauss; linking LAPACK costs five seconds)."""
    for i in range(n):
        for j in range(i + 1, n):
            f = A[j, i] / A[i, i]
            b[j] -= f * b[i]
            for q in range(i, n):
                A[j, q] -= f * A[i, q]
    for i in range(n - 1, -1, -1):
        for q in range(i + 1, n):
            b[i] -= A[i, q] * b[q]
        b[i] /= A[i, i]
