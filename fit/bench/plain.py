"""The joint model of fit/model.go written plainly, for comparison: numpy arrays
over all readings, an analytic Jacobian, scipy.optimize.least_squares. Reads one
job as JSON on standard input (readings, frozen weights, encoder nodes, priors,
start) and writes the optimum and the seconds that least_squares took.
"""
import json
import sys
import time

import numpy as np
from scipy.optimize import least_squares

job = json.load(sys.stdin)
mean = np.array(job["mean"])
sd = np.array([np.inf if s is None else s for s in job["sd"]])
start = np.array(job["start"])
known = np.flatnonzero(np.isfinite(sd))
n_params = len(start)
R = job["crank_mm"]
SOFT = 0.001

passes = []
row = 0
for p in job["passes"]:
    q = {k: np.array(p[k]) for k in ("t", "y", "w", "theta", "vel")}
    q.update({k: p[k] for k in ("t0", "dt", "dir", "base", "rod", "offset", "creep_from")})
    q.update(p["at"])
    q["rows"] = slice(row, row + len(q["t"]))
    q["root"] = np.sqrt(q["w"])
    q["seg"] = np.array(p["seg"], dtype=int)  # parameter of each reading's stretch, -1: none
    row += len(q["t"])
    passes.append(q)


def track(q, t):
    f = (t - q["t0"]) / q["dt"]
    i = np.clip(np.floor(f).astype(int), 0, len(q["theta"]) - 2)
    u = np.clip(f - i, 0, 1)
    a, b = q["theta"][i], q["theta"][i + 1]
    va, vb = q["vel"][i] * q["dt"], q["vel"][i + 1] * q["dt"]
    c2, c3 = 3 * (b - a) - 2 * va - vb, 2 * (a - b) + va + vb
    return a + u * (va + u * (c2 + u * c3)), (va + u * (2 * c2 + 3 * u * c3)) / q["dt"]


def soft(v):
    root = np.sqrt(v * v + SOFT * SOFT)
    return (v - root) / 2, (1 - v / root) / 2


def model(q, x):
    """Prediction and its derivatives, by parameter."""
    val = lambda k: 0.0 if q[k] < 0 else x[q[k]]
    theta, vel = track(q, q["t"] - val("tau"))
    deg = theta + q["dir"] * val("lash") / 2 - val("mount") - q["base"] - val("index")
    l, e = q["rod"] + x[job["rod"]], q["offset"] + x[job["offset"]]
    far = l + R
    top, y_top = np.arcsin(e / far), np.sqrt(far * far - e * e)
    cos0 = np.sqrt(1 - (e / far) ** 2)
    phi = top + np.radians(deg)
    sin, cos = np.sin(phi), np.cos(phi)
    side = R * sin - e
    rod = np.sqrt(l * l - side * side)
    rise = R * cos + rod - y_top
    per_rad = -R * sin - side * R * cos / rod
    by_rod = per_rad * (-e / far / (far * cos0)) + l / rod - far / y_top
    by_offset = per_rad / (far * cos0) + side / rod + e / y_top
    per_deg = per_rad * np.pi / 180
    play = val("play")
    falling = q["dir"] * deg > 0
    hung, caught = soft(rise + play)
    at_top, less = soft(play)
    by_play = np.where(falling, caught - less, 0)
    caught = np.where(falling, caught, 1)
    rise = np.where(falling, hung - at_top, rise)
    per_deg = caught * per_deg
    k, flip, width = val("scale"), q["dir"] * val("flip"), np.exp(val("width"))
    step = np.tanh(deg / width)
    bend = (1 - step * step) / width
    slope = k * per_deg + flip * bend
    creep = q["t"] - q["creep_from"]
    pred = val("zero") + val("shift") + k * rise + flip * step + val("creep") * creep
    pred = pred + np.where(q["seg"] >= 0, x[q["seg"]], 0)
    der = [(q["tau"], -vel * slope), (q["lash"], q["dir"] / 2 * slope), (q["mount"], -slope), (q["index"], -slope),
           (q["scale"], rise), (q["flip"], q["dir"] * step), (q["width"], -flip * bend * deg), (q["zero"], 1.0),
           (q["shift"], 1.0), (q["play"], k * by_play), (job["rod"], k * caught * by_rod),
           (job["offset"], k * caught * by_offset), (q["creep"], creep)]
    return pred, der


def residuals(x):
    out = np.empty(row + len(known))
    for q in passes:
        pred, _ = model(q, x)
        out[q["rows"]] = q["root"] * (pred - q["y"])
    out[row:] = (x[known] - mean[known]) / sd[known]
    return out


def jacobian(x):
    out = np.zeros((row + len(known), n_params))
    for q in passes:
        _, der = model(q, x)
        block = out[q["rows"]]
        for k, d in der:
            if k >= 0:
                block[:, k] += q["root"] * d
        for s in np.unique(q["seg"][q["seg"] >= 0]):
            block[:, s] += q["root"] * (q["seg"] == s)
    out[np.arange(row, row + len(known)), known] = 1 / sd[known]
    return out


began = time.perf_counter()
found = least_squares(residuals, start, jac=jacobian, x_scale="jac", xtol=1e-12, ftol=1e-12, gtol=1e-12)
took = time.perf_counter() - began
json.dump({"seconds": took, "x": found.x.tolist(), "rounds": int(found.nfev), "cost": float(found.cost)}, sys.stdout)
