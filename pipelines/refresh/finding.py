"""What the doctor says of one thing that it looked at."""

from dataclasses import dataclass

SOUND, LOOK, WRONG, UNKNOWN = "sound", "look", "wrong", "unknown"
#: what puts a finding right without a person's judgement
RUN, REBUILD = "run", "rebuild"


@dataclass(frozen=True)
class Finding:
    """One thing looked at. `repair` is what puts it right by itself: `run`, `rebuild`, or empty."""

    part: str
    state: str
    says: str
    repair: str = ""
