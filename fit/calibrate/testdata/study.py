"""A gauge study by definition, in the standard library, for studyvalues.go: reads a
CSV (part,person,mount,repeat,value_deg) on standard input, writes "name value"
lines with 17 digits. Components: method of moments of the random model with
mountings nested in people and crossed with parts, by solving for one after the other.
"""
import csv
import sys
from itertools import product
from math import sqrt
from statistics import mean

y = {}
for row in csv.DictReader(sys.stdin):
    y[row["part"], row["person"], row["mount"], row["repeat"]] = float(row["value_deg"])
P, O, R = (sorted({k[i] for k in y}) for i in (0, 1, 3))
M = {o: sorted({k[2] for k in y if k[1] == o}) for o in O}
p, o, m, r = len(P), len(O), len(M[O[0]]), len(R)


def av(**by):
    """Mean over everything but what is named."""
    names = ("part", "person", "mount", "repeat")
    return mean(v for k, v in y.items() if all(k[names.index(n)] == w for n, w in by.items()))


grand = av()
part = {a: av(part=a) for a in P}
person = {b: av(person=b) for b in O}
pair = {(a, b): av(part=a, person=b) for a in P for b in O}
mount = {(b, c): av(person=b, mount=c) for b in O for c in M[b]}
cell = {(a, b, c): av(part=a, person=b, mount=c) for a in P for b in O for c in M[b]}

ss = {
    "part": o * m * r * sum((part[a] - grand) ** 2 for a in P),
    "person": p * m * r * sum((person[b] - grand) ** 2 for b in O),
    "mounting": p * r * sum((mount[b, c] - person[b]) ** 2 for b, c in mount),
    "part×person": m * r * sum((pair[a, b] - part[a] - person[b] + grand) ** 2 for a, b in pair),
    "part×mounting": r * sum((cell[a, b, c] - pair[a, b] - mount[b, c] + person[b]) ** 2 for a, b, c in cell),
    "repeat": sum((v - cell[k[:3]]) ** 2 for k, v in y.items()),
}
total = sum((v - grand) ** 2 for v in y.values())
assert abs(sum(ss.values()) / total - 1) < 1e-9, "the sums of squares do not add up"
dof = {"part": p - 1, "person": o - 1, "mounting": o * (m - 1), "part×person": (p - 1) * (o - 1),
       "part×mounting": (p - 1) * o * (m - 1), "repeat": p * o * m * (r - 1)}
ms = {k: ss[k] / dof[k] for k in ss}

v = {"repeat": ms["repeat"]}
v["part×mounting"] = (ms["part×mounting"] - v["repeat"]) / r
v["mounting"] = (ms["mounting"] - v["repeat"] - r * v["part×mounting"]) / (r * p)
v["part×person"] = (ms["part×person"] - v["repeat"] - r * v["part×mounting"]) / (r * m)
v["part"] = (ms["part"] - v["repeat"] - r * v["part×mounting"] - r * m * v["part×person"]) / (r * m * o)
v["person"] = (ms["person"] - v["repeat"] - r * v["part×mounting"] - r * m * v["part×person"] - r * p * v["mounting"]) / (r * p * m)
kept = {k: max(x, 0.0) for k, x in v.items()}
gauge = sum(kept.values()) - kept["part"]

for k in ss:
    print(f"ss/{k} {ss[k]:.17g}")
    print(f"dof/{k} {dof[k]}")
    print(f"sd/{k} {sqrt(kept[k]):.17g}")
print(f"repeatability {sqrt(kept['repeat']):.17g}")
print(f"reproducibility {sqrt(gauge - kept['repeat']):.17g}")
print(f"gauge {sqrt(gauge):.17g}")
print(f"total {sqrt(gauge + kept['part']):.17g}")
print(f"percent {100 * sqrt(gauge / (gauge + kept['part'])):.17g}")
print(f"categories {1.41 * sqrt(kept['part'] / gauge):.17g}")
