"""A unit's past cases in, the parameters that they tell and a slot for each booking out. The unit is invented."""

import pandas as pd

import lobetime as lt

# gland_ml, surgeon_case_no, enucleation_min, morcellation_min, operative_min
ROWS = [
    (48, 61, 38, 9, 60), (92, 12, 71, 19, 108), (65, 62, 49, 12, 75), (120, 13, 88, 24, 131), (80, 63, 55, 15, 84),
    (55, 14, 50, 11, 76), (150, 64, 93, 31, 141), (73, 15, 58, 14, 87), (60, 65, 41, 12, 66), (105, 16, 77, 22, 115),
    (88, 66, 60, 17, 92), (42, 17, 37, 8, 58), (135, 67, 86, 27, 128), (70, 18, 56, 13, 84), (95, 68, 66, 19, 99),
    (58, 19, 47, 12, 73), (110, 69, 70, 24, 110), (77, 20, 59, 16, 90), (63, 70, 44, 12, 70), (180, 21, 124, 41, 184),
]  # fmt: skip
COLUMNS = ["gland_ml", "surgeon_case_no", "enucleation_min", "morcellation_min", "operative_min"]

past = pd.DataFrame(ROWS, columns=COLUMNS)
past["surgeon"] = ["A", "B"] * 10
past = past.assign(blade="oscillating", suction="vacuum", canister_ml=2000)
model = lt.TheatreTimeModel().fit(past)
for name in ("e_80", "e_exponent", "rate_50", "swap_min"):
    row = model.params_.loc[name]
    print(f"{name:<10} {row['estimate']:6.3f} {row['unit']:<6} {row['origin']}")

bookings = pd.DataFrame(
    {"case_id": ["first", "second", "third"], "gland_ml": [45, 80, 150], "surgeon": ["A", "B", "A"]}
)
bookings = bookings.assign(blade="oscillating", suction="vacuum", canister_ml=2000)
slots = lt.slots(model.predict(bookings), overrun_risk=0.2, round_to=5)
for case_id, slot in zip(bookings["case_id"], slots.itertuples(), strict=True):
    print(f"{case_id:<6} {slot.gland_ml:3.0f} mL  {slot.slot_min:3.0f} min  risk {slot.overrun_risk:.4f}")
print("For planning theatre time only; not clinical advice.")
