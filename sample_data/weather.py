"""Days, clocks and temperatures of the invented place. Times inside the generator are UTC seconds."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from sample_data.station import ZONE

LOCAL = ZoneInfo(ZONE)
END = date(2026, 10, 31)


def season_days(months, end=END):
    """All days of the last months up to the fixed end."""
    year, month = end.year, end.month - months + 1
    while month < 1:
        year, month = year - 1, month + 12
    start = date(year, month, 1)
    return [start + timedelta(days=k) for k in range((end - start).days + 1)]


def at(day, hours):
    """UTC seconds of a local clock time (hours as a number)."""
    midnight = datetime(day.year, day.month, day.day, tzinfo=LOCAL)
    clock = (midnight.replace(tzinfo=None) + timedelta(hours=float(hours))).replace(tzinfo=LOCAL)
    return int(clock.timestamp())


def local(seconds):
    return datetime.fromtimestamp(int(seconds), UTC).astimezone(LOCAL)


def utc(seconds):
    return datetime.fromtimestamp(int(seconds), UTC)


class Weather:
    """Air and water by time; each day has its own deviation."""

    def __init__(self, days, rng):
        self.first = days[0]
        count = len(days) + 30
        slow = np.zeros(count)
        for k in range(1, count):
            slow[k] = 0.75 * slow[k - 1] + rng.normal(0, 1.5)
        self.day_c = slow
        self.surface_bar = 1.0132 + 0.009 * np.convolve(rng.normal(0, 1, count), np.ones(5) / 2.2, "same")

    def _day(self, seconds):
        d = local(seconds)
        return d, int(np.clip((d.date() - self.first).days, 0, self.day_c.size - 1))

    def air_c(self, seconds):
        """Outdoors, °C."""
        d, k = self._day(seconds)
        year_part = d.timetuple().tm_yday
        hour = d.hour + d.minute / 60
        mean = 12.3 - 5.6 * np.cos(2 * np.pi * (year_part - 25) / 365)
        return float(mean + self.day_c[k] + 3.3 * np.sin(2 * np.pi * (hour - 9) / 24))

    def room_c(self, seconds):
        """In the filling shed: warmer, and the day's swing is smaller."""
        d, _ = self._day(seconds)
        outside = self.air_c(seconds)
        swing = 3.3 * np.sin(2 * np.pi * (d.hour + d.minute / 60 - 9) / 24)
        return outside - 0.5 * swing + 1.8

    def water_c(self, seconds, depth_m):
        """Sea, °C: warm skin in summer, colder below about 14 m."""
        d, k = self._day(seconds)
        day = d.timetuple().tm_yday
        surface = 11.8 - 4.0 * np.cos(2 * np.pi * (day - 50) / 365) + 0.25 * self.day_c[k]
        step = 1.2 + 1.6 * np.clip(np.sin(2 * np.pi * (day - 110) / 365), 0, 1)
        return surface - step / (1 + np.exp(-(np.asarray(depth_m) - 14.0) / 2.5)) - 0.02 * np.asarray(depth_m)

    def pressure_bar(self, seconds):
        """Air pressure at sea level, bar."""
        return float(self.surface_bar[self._day(seconds)[1]])
