"""Writes tests/reference/monotone_cubic.csv with SciPy's PchipInterpolator. Nothing of ours is used.

Run once: python3 tests/reference/monotone_cubic.py > tests/reference/monotone_cubic.csv
"""

import numpy
import scipy
from scipy.interpolate import PchipInterpolator

TABLES = {
    # As a meter would give them: invented readings.
    "square-law": ([0, 1, 2, 4, 8, 12, 16, 24, 32, 48, 64, 96, 128, 192, 255],
                   lambda v: (v / 255) ** 2.0),
    "bent": ([0, 5, 9, 30, 100, 101, 180, 255], [0, 0.001, 0.03, 0.031, 0.5, 0.62, 0.9, 1.0]),
    "steep-ends": ([0, 1, 250, 255], [0, 0.7, 0.71, 1.0]),
    "level-ends": ([0, 60, 70, 255], [0, 0.001, 0.9, 1.0]),
    "two-points": ([0, 255], [0, 1]),
    "three-points": ([0, 40, 255], [0, 0.5, 1]),
    "wide": ([0, 300, 4000, 20000, 50000, 65535], [0, 0.0001, 0.02, 0.1, 0.8, 1.0]),
}

print("# Monotone cubic interpolation of rising points, for dimming tables.")
print(f"# Made by tests/reference/monotone_cubic.py with SciPy {scipy.__version__}"
      f" (scipy.interpolate.PchipInterpolator), NumPy {numpy.__version__}.")
print("# A row of kind `point` is a point that was measured (invented), `between` what SciPy gives.")
print("# Suggested tolerance: 1e-12 absolute (rounding only).")
print("table,kind,value,light")
for name, (values, lights) in TABLES.items():
    values = numpy.array(values, float)
    lights = lights(values) if callable(lights) else numpy.array(lights, float)
    curve = PchipInterpolator(values, lights)
    for value, light in zip(values, lights):
        print(f"{name},point,{value:.0f},{light:.17g}")
    step = 1 if values[-1] == 255 else 257
    for value in numpy.arange(0, values[-1] + 1, step):
        print(f"{name},between,{value:.0f},{float(curve(value)):.17g}")
