"""Time that scipy.optimize.linprog (HiGHS) takes for the mixes that tests/bench/solve.rs solves.

usage: linprog.py TARGETS.json

TARGETS.json: a list of {"emitters": [[x, y, lux], ...], "xy": [x, y], "lux": light found there}.
The program is the same one: most light with the chromaticity met, drives 0 to 1. Prints one JSON line:
seconds for each target (set-up of the matrices not counted), how many, and the greatest relative
difference of light between the two solvers.
"""

import json
import sys
import time

import numpy as np
from scipy.optimize import linprog


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        targets = json.load(file)
    problems = []
    for target in targets:
        emitters = np.array(target["emitters"])
        x, y, lux = emitters.T
        tx, ty = target["xy"]
        total = lux / y  # X + Y + Z of each at full
        # Sum of (x_i - x) S_i w_i = 0, the same in y: then the mix has chromaticity x, y. Scaled to 1.
        pulls = np.array([(x - tx) * total, (y - ty) * total]) / total.max()
        problems.append((lux / lux.max(), pulls, lux, target["lux"]))
    linprog(-problems[0][0], A_eq=problems[0][1], b_eq=[0, 0], bounds=(0, 1), method="highs")
    worst = 0.0
    taken = 0.0
    for light, pulls, lux, found in problems:
        start = time.perf_counter()
        solved = linprog(-light, A_eq=pulls, b_eq=[0, 0], bounds=(0, 1), method="highs")
        taken += time.perf_counter() - start
        if not solved.success:
            sys.exit(f"linprog found no mix: {solved.message}")
        worst = max(worst, abs(float(lux @ solved.x) / found - 1))
    print(json.dumps({"seconds_per_target": taken / len(problems), "targets": len(problems), "worst": worst}))


main()
