"""What stands at the foot of every page."""

CAUTION = (
    "For audit and quality improvement; not for diagnosis or treatment decisions; follow local "
    "policy and licensed practice."
)
