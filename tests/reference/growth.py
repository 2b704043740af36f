"""Growth curves of an open data set, fitted by scipy: what core's own growth equations are held to.

Data: `Tecan_210115.csv` of the package curveball 0.3.0 (PyPI; MIT licence, (c) 2015 Yoav Ram): optical density of three strains of
E. coli (G, R, RG) at 30 degC in a plate reader, 32 wells each, blanks (0) beside. Here: the mean of a strain's wells less that of the blanks.
Model: Baranyi and Roberts 1994 on the logistic curve in closed form, by scipy.optimize.curve_fit.

    python -m venv v && v/bin/pip install -r requirements.txt && v/bin/pip download --no-deps --no-binary :all: curveball==0.3.0
    tar xzf curveball-0.3.0.tar.gz && v/bin/python growth.py curveball-0.3.0/data/Tecan_210115.csv
"""

import sys

import numpy as np
import pandas as pd
import scipy
from scipy.optimize import curve_fit


def baranyi(t, growth, ln_adapted, logit_start, ceiling):
    """The culture at `t` hours; parameters as core has them (adaptation by its log, start as a share of the ceiling by its logit)."""
    adapted = np.exp(ln_adapted)
    delayed = t + np.log((np.exp(-growth * t) + adapted) / (1 + adapted)) / growth
    up = np.exp(logit_start + growth * delayed)
    return ceiling * up / (1 + up)


plate = pd.read_csv(sys.argv[1])
plate["Strain"] = plate.Strain.astype(str)
means = plate.groupby(["Strain", "Time"]).OD.mean().unstack(0)
curves, fits = [], []
for strain in ("G", "R", "RG"):
    od = (means[strain] - means["0"]).dropna()
    t, y = od.index.to_numpy(), od.to_numpy()
    best, _ = curve_fit(baranyi, t, y, p0=[1.0, -3.0, np.log(0.02), y.max()], maxfev=50_000)
    fitted = baranyi(t, *best)
    fits.append([strain, *best, float(np.sqrt(np.mean((fitted - y) ** 2)))])
    curves += [[strain, a, b, c] for a, b, c in zip(t, y, fitted)]
    print(strain, best, fits[-1][-1], len(t), file=sys.stderr)


def write(name, frame):
    with open(name, "w") as file:
        file.write("# curveball 0.3.0 (MIT licence, (c) 2015 Yoav Ram), Tecan_210115.csv: strain's mean less the blanks'.\n")
        file.write(f"# scipy {scipy.__version__}, curve_fit of Baranyi and Roberts 1994 on the logistic curve.\n")
        frame.to_csv(file, index=False, float_format="%.8g")


write("growth_curves.csv", pd.DataFrame(curves, columns=["strain", "time_h", "od", "scipy_od"]))
names = ["strain", "growth_per_h", "ln_adapted", "logit_start", "ceiling_od", "rms_od"]
write("growth_scipy.csv", pd.DataFrame(fits, columns=names))
