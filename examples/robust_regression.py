"""Any other curve, with outliers: the rate of a reaction against concentration, two of twelve readings spoilt."""

import numpy as np

import lobetime as lt

conc = np.repeat([0.02, 0.06, 0.11, 0.22, 0.56, 1.10], 2)
rate = np.array([76.0, 47, 97, 107, 123, 139, 159, 152, 191, 201, 207, 200])
rate[[3, 8]] = [310.0, 20.0]

for estimator, loss in (("m", "squares"), ("mm", "bisquare")):
    curve = lt.RobustRegression(lambda x, b: b[0] * x / (b[1] + x), estimator=estimator, loss=loss)
    curve.fit(conc, rate, {"Vm": 200, "K": 0.05}, lower=0)
    print(f"{loss}, spread {curve.scale_:.2f}")
    intervals = curve.conf_int()
    for row in intervals.itertuples():
        print(f"  {row.Index:<2} {row.estimate:8.4f}  {row.lower:8.4f} to {row.upper:8.4f}")
