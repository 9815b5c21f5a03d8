"""How a tank of a dive is named where the system it comes from gives it no name."""


def tank_name(dive_id: str, tank_no: int) -> str:
    """'M01-20310520T091200Z tank 1': what a link calls it."""
    return f"{dive_id} tank {tank_no}"
