"""Write dives as UDDF in the layouts that are met: 2.2.0, 3.0.0, 3.2.1, 3.2.2, with and without a namespace."""

from xml.sax.saxutils import escape

from sample_data.weather import local, utc

SPACE = ' xmlns="http://www.streit.cc/uddf/3.2/"'


def _el(name, content="", **attributes):
    """One element; content is XML already, or a number."""
    pairs = "".join(f' {k}="{v}"' for k, v in attributes.items())
    return f"<{name}{pairs}>{content}</{name}>" if content != "" else f"<{name}{pairs}/>"


def _mix_id(tank):
    return "mix-argon" if tank.argon else f"mix-{round(tank.o2, 3) * 1000:.0f}-{round(tank.he, 3) * 1000:.0f}"


def _tank_id(tank):
    return f"tk-{tank.unit_id.lower()}"


def _mix(tank):
    """One mix element; fractions sum to one."""
    o2, he, ar = (0.0, 0.0, 1.0) if tank.argon else (round(tank.o2, 3), round(tank.he, 3), 0.0)
    n2 = round(1 - o2 - he - ar, 3)
    if ar:
        name = "argon"
    elif he:
        name = f"TMX {o2 * 100:.0f}/{he * 100:.0f}"
    else:
        name = "air" if abs(o2 - 0.21) < 0.002 else f"EAN{o2 * 100:.0f}"
    shares = (("o2", o2), ("n2", n2), ("he", he), ("ar", ar))
    inner = _el("name", name) + "".join(_el(k, f"{x:.3f}") for k, x in shares) + _el("h2", "0.0")
    return _el("mix", inner, id=_mix_id(tank))


def write(member, dives, form):
    """The file's text. `dives` are those of rows.logged_dives: start, tanks, samples."""
    version = form.split("-", 1)[1]
    old = version.startswith("2.")
    tank_ref = "tankref" if version == "3.0.0" else "ref"
    tanks, mixes = {}, {}
    for d in dives:
        for t in d.tanks:
            tanks[t.unit_id] = t
            mixes.setdefault(_mix_id(t), t)
    w = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<uddf version="{version}"{SPACE if form.endswith("3.2.2") else ""}>',
        _generator(utc(dives[-1].started_s + 86400), old),
        _owner(member, tanks.values()),
        _site(old),
        "<gasdefinitions>" + "".join(_mix(t) for t in mixes.values()),
    ]
    if old:
        w += [_el("tankdata", _tankdata(t, old, d), id=_data_id(d, k)) for d in dives for k, t in enumerate(d.tanks)]
    w.append("</gasdefinitions><profiledata>")
    day = None
    for d in dives:
        today = local(d.started_s).date()
        if today != day:
            if day is not None:
                w.append("</repetitiongroup>")
            w.append("<repetitiongroup>" if old else f'<repetitiongroup id="rg-{today:%Y%m%d}">')
        w.append(_dive(d, old, tank_ref, first=today != day))
        day = today
    w.append("</repetitiongroup></profiledata></uddf>")
    return "\n".join(w) + "\n"


def _generator(made, old):
    when = _date(made) if old else _el("datetime", f"{made:%Y-%m-%dT%H:%M:%SZ}")
    return _el("generator", _el("name", "log of the owner") + _el("type", "logbook") + _el("version", "1.0") + when)


def _date(t):
    return _el("date", _el("year", t.year) + _el("month", t.month) + _el("day", t.day))


def _owner(member, tanks):
    given, family = member.name.split(" ")[:2]
    personal = _el("personal", _el("firstname", escape(given)) + _el("lastname", escape(family)))
    equipment = "\n".join(
        _el(
            "tank",
            _el("name", t.unit_id) + _el("aliasname", t.role) + _el("tankvolume", f"{t.litres / 1000:.4f}"),
            id=_tank_id(t),
        )
        for t in tanks
    )
    owner = _el("owner", personal + _el("equipment", "\n" + equipment + "\n"), id=f"owner-{member.member_id.lower()}")
    return _el("diver", owner)


def _site(old):
    place = _el("location", "Tarrowick Sound") + ("" if old else _el("timezone", "0.0"))
    inner = _el("name", "Outer Ledges") + _el("environment", "ocean-sea") + _el("geography", place)
    inner += "" if old else _el("sitedata", _el("density", "1025.0"))
    return _el("divesite", _el("site", inner, id="site-1"))


def _data_id(d, k):
    return f"td-{d.dive_id}-{k + 1}"


def _tankdata(t, old, d):
    mix, unit = _mix_id(t), _tank_id(t)
    mix_name, tank_name = ("mixref", "tankref") if old else ("link", "link")
    out = _el(mix_name, ref=mix) + _el(tank_name, ref=unit)
    scale = 1.0 if d.in_bar else 1e5
    out += _el("tankpressurebegin", round(t.start_bar * scale, 1))
    if t.end_bar is not None:
        out += _el("tankpressureend", round(t.end_bar * scale, 1))
    return out


def _interval(name, first):
    return _el(name, _el("infinity") if first else _el("passedtime", "9000.0"))


def _before(d, old, tank_ref, first):
    """What stands before the samples: in the dive itself in 2.x, in its own section later."""
    air = _el("airtemperature", f"{d.air_c + 273.15:.1f}")
    if old:
        t = local(d.started_s)
        clock = _el("time", _el("hour", t.hour) + _el("minute", t.minute))
        used = "".join(_el("tankdataref", ref=_data_id(d, k)) for k in range(len(d.tanks)))
        facts = air + _el("density", "1025.0") + _el("greatestdepth", f"{d.max_depth:.1f}")
        return _date(t) + clock + _interval("surfaceinterval", first) + facts + _el("equipmentused", used)
    when = _el("datetime", f"{utc(d.started_s):%Y-%m-%dT%H:%M:%SZ}")
    surface = _el("surfacepressure", f"{d.surface_bar * 1e5:.0f}.0")
    inner = _el("link", ref="site-1") + _el("divenumber", d.number) + when + air + surface
    out = _el("informationbeforedive", inner + _interval("surfaceintervalbeforedive", first))
    for k, tank in enumerate(d.tanks):
        name = dict(id=_data_id(d, k)) if tank_ref == "ref" else {}
        out += _el("tankdata", _tankdata(tank, old, d), **name)
    return out


def _dive(d, old, tank_ref, first):
    scale, places = (1.0, 1) if d.in_bar else (1e5, 0)
    w = [f'<dive id="dive-{d.dive_id}">', _before(d, old, tank_ref, first), "<samples>"]
    refs = [(_tank_id(t), k) for k, t in enumerate(d.tanks)]
    switch = "" if old else _el("switchmix", ref=_mix_id(d.tanks[0]))
    moments = zip(d.t_s.tolist(), d.depth_m.tolist(), strict=True)
    lines = [f"<waypoint><depth>{x:.1f}</depth><divetime>{t:.0f}</divetime>" for t, x in moments]
    lines[0] += switch
    if not old:
        for name, n in refs:
            for k, bar in enumerate((d.bars[n] * scale).tolist()):
                if bar == bar:
                    lines[k] += f'<tankpressure {tank_ref}="{name}">{bar:.{places}f}</tankpressure>'
    for k, water in enumerate(d.water_c.tolist()):
        if water == water:
            lines[k] += f"<temperature>{water + 273.15:.1f}</temperature>"
    w += [line + "</waypoint>" for line in lines]
    w.append("</samples>")
    if not old:
        lowest = _el("lowesttemperature", f"{d.water_low + 273.15:.1f}")
        greatest = _el("greatestdepth", f"{d.max_depth:.1f}")
        w.append(_el("informationafterdive", lowest + greatest + _el("diveduration", f"{d.t_s[-1]:.0f}.0")))
    return "".join(w) + "</dive>"
