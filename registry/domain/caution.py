"""What stands under every page, report and answer of the program."""

CAUTION = (
    "For audit and quality improvement; not for diagnosis or treatment decisions; follow local "
    "policy and licensed practice."
)
