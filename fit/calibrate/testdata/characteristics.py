"""An independent calculation of an indicator's characteristics, in exact fractions.

python3 characteristics.py FILE.csv [LOCAL_SPAN_MM]

Reads run,direction,reference_mm,reading_mm and writes one JSON object. Written
from the definitions in CALIBRATION.md, not from the program. Standard library only.
"""
import csv
import json
import sys
from decimal import Decimal
from fractions import Fraction


def main(path, span):
    with open(path, encoding="utf-8-sig") as f:
        rows = list(csv.DictReader(line for line in f if not line.startswith("#")))
    points = [(int(r["run"]), r["direction"].strip(), Fraction(Decimal(r["reference_mm"].strip())),
               Fraction(Decimal(r["reading_mm"].strip()))) for r in rows]
    both = [(run, way, ref, reading - ref) for run, way, ref, reading in points if way != "repeat"]
    places = sorted({ref for _, _, ref, _ in both})
    out = {"errors": [number(reading - ref) for _, _, ref, reading in points]}
    out["total"] = number(spread([e for *_, e in both]))
    inside = [[e for _, _, ref, e in both if first <= ref <= first + span] for first in places
              if len([p for p in places if first <= p <= first + span]) > 1]
    out["local"] = number(max(map(spread, inside))) if inside else None
    jumps = [abs(down - up) for run, way, ref, down in both if way == "down"
             for other, side, place, up in both if side == "up" and other == run and place == ref]
    out["hysteresis"] = number(max(jumps)) if jumps else None
    again = {}
    for _, way, ref, reading in points:
        if way == "repeat":
            again.setdefault(ref, []).append(reading)
    ranges = [spread(v) for v in again.values() if len(v) > 1]
    out["repeatability"] = number(max(ranges)) if ranges else None
    out["linearity"] = number(linearity(both)) if len(places) > 2 else None
    out["correction"] = []
    for place in places:
        errors = [e for _, _, ref, e in both if ref == place]
        error = sum(errors) / len(errors)
        out["correction"].append([number(place + error), number(-error)])
    json.dump(out, sys.stdout)


def spread(values):
    return max(values) - min(values)


def linearity(both):
    n = len(both)
    sx = sum(x for _, _, x, _ in both)
    sy = sum(y for *_, y in both)
    sxx = sum(x * x for _, _, x, _ in both)
    sxy = sum(x * y for _, _, x, y in both)
    slope = (n * sxy - sx * sy) / (n * sxx - sx * sx)
    offset = (sy - slope * sx) / n
    return max(abs(y - offset - slope * x) for _, _, x, y in both)


def number(v):
    """To 1e-12 mm, half away from zero, as the program prints."""
    scaled = abs(v) * 10**12
    whole = int(scaled)
    if scaled - whole >= Fraction(1, 2):
        whole += 1
    return float(Fraction(whole if v >= 0 else -whole, 10**12))


if __name__ == "__main__":
    main(sys.argv[1], Fraction(Decimal(sys.argv[2] if len(sys.argv) > 2 else "1")))
