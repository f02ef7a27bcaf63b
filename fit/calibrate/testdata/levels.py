"""The levels of two public gauge studies by definition, in the standard library.

Sources: https://www.itl.nist.gov/div898/handbook/datasets/MPC61.DAT and
.../CHECK_STD.DAT (NIST/SEMATECH e-Handbook, public domain), 6 readings a mean.
Writes one line a study: name, s1, dof, s2, dof, s3, dof with 17 digits.
"""
import os
from collections import defaultdict
from statistics import mean, variance

here = os.path.dirname(os.path.abspath(__file__))


def rows(name):
    with open(os.path.join(here, name)) as f:
        for line in f.read().splitlines()[50:]:
            try:
                yield [float(w) for w in line.split()]
            except ValueError:
                pass


def levels(name, occasions):
    """occasions: (artefact, run, mean, sd); pools as equal groups average."""
    by_run, by_artefact = defaultdict(list), defaultdict(list)
    for artefact, run, m, _ in occasions:
        by_run[artefact, run].append(m)
    for (artefact, _), ms in by_run.items():
        by_artefact[artefact].append(mean(ms))
    s1 = mean(sd * sd for *_, sd in occasions) ** 0.5
    s2 = mean(variance(ms) for ms in by_run.values()) ** 0.5
    s3 = mean(variance(ms) for ms in by_artefact.values()) ** 0.5
    dof1 = 5 * len(occasions)
    dof2 = sum(len(ms) - 1 for ms in by_run.values())
    dof3 = sum(len(ms) - 1 for ms in by_artefact.values())
    print(name, *(f"{s:.17g} {d}" for s, d in ((s1, dof1), (s2, dof2), (s3, dof3))))


mpc = [r for r in rows("MPC61.DAT") if len(r) == 9]
for probe in sorted({int(r[2]) for r in mpc}):
    levels(f"MPC61/{probe}", [(r[1], r[0], r[7], r[8]) for r in mpc if r[2] == probe])
levels("MPC61/all", [((r[1], r[2]), r[0], r[7], r[8]) for r in mpc])

check = [r for r in rows("CHECK_STD.DAT") if len(r) == 10]
for k, wiring in enumerate("AB"):
    levels(f"CHECK_STD/{wiring}", [(r[0], run, r[2 + 2 * k + 4 * (run - 1)], r[3 + 2 * k + 4 * (run - 1)]) for run in (1, 2) for r in check])
