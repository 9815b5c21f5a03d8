"""Groups of columns that several steps read, and the settings and rules that go with them."""

from schemas.sources import SOURCES


def whole(source: str, *more: str) -> tuple[str, ...]:
    """Every column of an input but the one that only ranks files, and more of those kept beside them."""
    return (*(c for c in SOURCES[source].fields if c != "revised_at"), *more)


#: who belongs to which set, by the register and by history
SETS = {
    "cylinders": ("cylinder_id", "set_id", "set_position"),
    "set_members": whole("set_members"),
}
#: what the rules of inspection ask about a cylinder
REGISTER = (
    "material",
    "manufactured_on",
    "alloy",
    "first_used_on",
    "service_life_ends_on",
    "rule_set",
    "regime",
    "status",
)
HISTORY = ("cylinder_id", "inspected_on", "kind", "result", "permanent_expansion_pct")
#: states of cylinders on days
INSPECTED = SETS | {"cylinders": (*SETS["cylinders"], *REGISTER), "inspections": HISTORY}
INSPECTED_SETTINGS = ("rule_set", "time_zone", "fleet.due_soon_days")
INSPECTED_RULES = ("inspection_",)

PURITY_SETTINGS = ("air", "rule_set", "time_zone")
PURITY_RULES = ("purity",)
AIR_TESTS = tuple(c for c in whole("air_tests") if c != "laboratory")
