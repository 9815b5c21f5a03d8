"""Days, clocks and temperatures of the invented place. Times inside the generator are UTC seconds.

Clock times are arithmetic on a table of the zone's changes: a season asks for millions of them.
"""

import math
from bisect import bisect_right
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numba import vectorize

from sample_data.station import ZONE

LOCAL = ZoneInfo(ZONE)
END = date(2026, 10, 31)
EPOCH = date(1970, 1, 1).toordinal()


def _changes(first=1990, last=2070):
    """Moments (UTC seconds) at which the zone's offset changes, and the offset from each on."""
    start, stop = (int(datetime(y, 1, 1, tzinfo=UTC).timestamp()) for y in (first, last))
    moments, offsets = [start], [int(datetime.fromtimestamp(start, LOCAL).utcoffset().total_seconds())]
    for hour in range(start, stop, 86400):
        offset = int(datetime.fromtimestamp(hour + 86400, LOCAL).utcoffset().total_seconds())
        if offset != offsets[-1]:
            low, high = hour, hour + 86400
            while high - low > 1:
                middle = (low + high) // 2
                same = int(datetime.fromtimestamp(middle, LOCAL).utcoffset().total_seconds()) == offsets[-1]
                low, high = (middle, high) if same else (low, middle)
            moments.append(high)
            offsets.append(offset)
    return moments, offsets


CHANGES, OFFSETS = _changes()
#: the same on the local clock; an hour that comes twice or never counts as before the change
LOCAL_CHANGES = [m + max(OFFSETS[max(k - 1, 0)], o) for k, (m, o) in enumerate(zip(CHANGES, OFFSETS, strict=True))]
_CHANGES, _OFFSETS = np.array(CHANGES), np.array(OFFSETS)


def season_days(months, end=END):
    """All days of the last months up to the fixed end."""
    year, month = end.year, end.month - months + 1
    while month < 1:
        year, month = year - 1, month + 12
    start = date(year, month, 1)
    return [start + timedelta(days=k) for k in range((end - start).days + 1)]


def at(day, hours):
    """UTC seconds of a local clock time (hours as a number)."""
    whole = int(hours)
    clock = whole * 3600 + round((hours - whole) * 3.6e9) // 1_000_000
    seconds = (day.toordinal() - EPOCH) * 86400 + clock
    return seconds - OFFSETS[bisect_right(LOCAL_CHANGES, seconds) - 1]


def clock(seconds):
    """(day number since 1970, second of the day) on the local clock."""
    return divmod(int(seconds) + OFFSETS[bisect_right(CHANGES, seconds) - 1], 86400)


def day_of(seconds):
    """The local date."""
    return date.fromordinal(EPOCH + clock(seconds)[0])


def local(seconds):
    return datetime.fromtimestamp(int(seconds), UTC).astimezone(LOCAL)


def utc(seconds):
    return datetime.fromtimestamp(int(seconds), UTC)


def offsets_s(seconds):
    """UTC offset of the place at many moments, s."""
    return _OFFSETS[np.searchsorted(_CHANGES, seconds, side="right") - 1]


@vectorize(cache=True)
def _water_c(surface_c, step_k, depth_m):
    return surface_c - step_k / (1 + np.exp(-(depth_m - 14.0) / 2.5)) - 0.02 * depth_m


class Weather:
    """Air and water by time; each day has its own deviation."""

    def __init__(self, days, rng):
        count = len(days) + 30
        slow = np.zeros(count)
        luck = rng.normal(0, 1.5, count - 1)
        for k in range(1, count):
            slow[k] = 0.75 * slow[k - 1] + luck[k - 1]
        self.surface_bar = (1.0132 + 0.009 * np.convolve(rng.normal(0, 1, count), np.ones(5) / 2.2, "same")).tolist()
        self.first = days[0].toordinal() - EPOCH
        self.last = count - 1
        self.day_c = slow.tolist()
        self.year_day = np.array(
            [date.fromordinal(EPOCH + self.first + k).timetuple().tm_yday for k in range(-1, count + 366)]
        )
        self.mean_c = (12.3 - 5.6 * np.cos(2 * np.pi * (self.year_day - 25) / 365)).tolist()
        self.sea_c = (11.8 - 4.0 * np.cos(2 * np.pi * (self.year_day - 50) / 365)).tolist()
        self.layer_k = (1.2 + 1.6 * np.clip(np.sin(2 * np.pi * (self.year_day - 110) / 365), 0, 1)).tolist()

    def _day(self, seconds):
        """(place in the tables by date, place in the deviations, hours since midnight to the minute)."""
        day, second = clock(seconds)
        k = day - self.first
        return k + 1, min(max(k, 0), self.last), second // 60 / 60

    def air_c(self, seconds):
        """Outdoors, °C."""
        day, k, hour = self._day(seconds)
        return self.mean_c[day] + self.day_c[k] + 3.3 * math.sin(2 * math.pi * (hour - 9) / 24)

    def room_c(self, seconds):
        """In the filling shed: warmer, and the day's swing is smaller."""
        day, k, hour = self._day(seconds)
        return self.mean_c[day] + self.day_c[k] + 0.5 * 3.3 * math.sin(2 * math.pi * (hour - 9) / 24) + 1.8

    def water_c(self, seconds, depth_m):
        """Sea, °C: warm skin in summer, colder below about 14 m."""
        day, k, _ = self._day(seconds)
        return _water_c(self.sea_c[day] + 0.25 * self.day_c[k], self.layer_k[day], depth_m)

    def pressure_bar(self, seconds):
        """Air pressure at sea level, bar."""
        return self.surface_bar[self._day(seconds)[1]]
