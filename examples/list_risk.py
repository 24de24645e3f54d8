"""Does this list fit? Draws of the same possible world are summed, so what its cases share counts."""

import numpy as np
import pandas as pd

import lobetime as lt

SESSION_MIN, TURNOVER_MIN = 480, 20

bookings = pd.DataFrame({"case_id": ["a", "b", "c"], "gland_ml": [60, 90, 140], "surgeon": "A", "surgeon_case_no": 80})
bookings = bookings.assign(blade="oscillating", suction="vacuum", canister_ml=3000, anaesthesia="general")
prediction = lt.TheatreTimeModel().predict(bookings)  # no history: published evidence alone
minutes = prediction.draws.sum(axis=2)  # cases x draws
for case_id, of_case in zip(bookings["case_id"], minutes, strict=True):
    print(f"{case_id}: mean {of_case.mean():.1f} min")
finish = minutes.sum(axis=0) + TURNOVER_MIN * (len(bookings) - 1)
print(f"all three: mean {finish.mean():.1f} min, over {SESSION_MIN} min in {np.mean(finish > SESSION_MIN):.4f}")
print("For planning theatre time only; not clinical advice.")
