"""The caution that goes with every output a person sees."""

CAUTION = (
    "For planning theatre time only; not clinical advice. Times are estimates with the stated uncertainty. "
    "Never shorten haemostasis, view checks or pauses to meet a slot: morcellate only with a clear view and a full "
    "bladder, stop when either is lost, and follow the device's instructions, local policy and the judgement of the "
    "licensed team."
)
