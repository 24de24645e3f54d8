"""A unit's past cases in, a slot for each booking out. The unit is invented."""

import warnings

import lobetime as lt

warnings.simplefilter("ignore", lt.DataWarning)  # the demo unit has typing errors on purpose; see cases.warnings
unit = lt.datasets.load_demo_unit()
cases = lt.read_cases(unit.history)
model = lt.TheatreTimeModel().fit(cases)
prediction = model.predict(unit.bookings)
slots = lt.slots(prediction, overrun_risk=0.2, round_to=5)
print(slots[["gland_ml", "surgeon", "slot_min", "overrun_risk", "median_min"]].head().to_string())
print(slots["why"].iloc[0])
print(lt.CAUTION)
