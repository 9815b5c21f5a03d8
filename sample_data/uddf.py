"""Write dives as UDDF in the layouts that are met: 2.2.0, 3.0.0, 3.2.1, 3.2.2, with and without a namespace."""

from xml.sax.saxutils import escape

from sample_data.weather import local, utc

SPACE = ' xmlns="http://www.streit.cc/uddf/3.2/"'


def _n(value, places=1):
    return f"{value:.{places}f}"


def _mix_id(o2, he, argon):
    return "mix-argon" if argon else f"mix-{o2 * 1000:.0f}-{he * 1000:.0f}"


def _mix(o2, he, argon):
    """One mix element; fractions sum to one."""
    if argon:
        o2, he, ar = 0.0, 0.0, 1.0
    else:
        o2, he, ar = round(o2, 3), round(he, 3), 0.0
    n2 = round(1 - o2 - he - ar, 3)
    name = "argon" if argon else "air" if abs(o2 - 0.21) < 0.002 and not he else f"EAN{o2 * 100:.0f}" if not he else f"TMX {o2 * 100:.0f}/{he * 100:.0f}"
    return (f'<mix id="{_mix_id(o2, he, argon)}"><name>{name}</name><o2>{o2:.3f}</o2><n2>{n2:.3f}</n2><he>{he:.3f}</he><ar>{ar:.3f}</ar>'
            "<h2>0.0</h2></mix>")


def write(member, dives, form):
    """The file's text. `dives` are logged dives (rows.logged_dive): start, tanks, samples."""
    version = form.split("-", 1)[1]
    old = version.startswith("2.")
    tank_ref = "tankref" if version == "3.0.0" else "ref"
    tanks, mixes = {}, {}
    for d in dives:
        for t in d["tanks"]:
            tanks[t["unit_id"]] = t
            mixes[_mix_id(round(t["o2"], 3), round(t["he"], 3), t["argon"])] = (t["o2"], t["he"], t["argon"])
    w = ['<?xml version="1.0" encoding="UTF-8"?>', f'<uddf version="{version}"{SPACE if form.endswith("3.2.2") else ""}>']
    stamp = f"{dives[-1]['started_s']}"
    made = utc(int(stamp) + 86400)
    w.append("<generator><name>log of the owner</name><type>logbook</type><version>1.0</version>" + (
        f"<date><year>{made.year}</year><month>{made.month}</month><day>{made.day}</day></date>" if old
        else f"<datetime>{made:%Y-%m-%dT%H:%M:%SZ}</datetime>") + "</generator>")
    given, family = member.name.split(" ")[:2]
    w.append(f'<diver><owner id="owner-{member.member_id.lower()}"><personal><firstname>{escape(given)}</firstname><lastname>{escape(family)}</lastname>'
             "</personal><equipment>")
    for unit, t in tanks.items():
        w.append(f'<tank id="tk-{unit.lower()}"><name>{unit}</name><aliasname>{t["role"]}</aliasname><tankvolume>{t["litres"] / 1000:.4f}</tankvolume></tank>')
    w.append("</equipment></owner></diver>")
    w.append('<divesite><site id="site-1"><name>Outer Ledges</name><environment>ocean-sea</environment><geography><location>Tarrowick Sound</location>'
             + ("" if old else "<timezone>0.0</timezone>") + "</geography>" + ("" if old else "<sitedata><density>1025.0</density></sitedata>") + "</site></divesite>")
    w.append("<gasdefinitions>" + "".join(_mix(*m) for m in mixes.values()))
    if old:
        for d in dives:
            for k, t in enumerate(d["tanks"]):
                w.append(f'<tankdata id="td-{d["dive_id"]}-{k + 1}">' + _tankdata(t, old, d) + "</tankdata>")
    w.append("</gasdefinitions><profiledata>")
    day = None
    for d in dives:
        today = local(d["started_s"]).date()
        if today != day:
            if day is not None:
                w.append("</repetitiongroup>")
            w.append("<repetitiongroup>" if old else f'<repetitiongroup id="rg-{today:%Y%m%d}">')
        w.append(_dive(d, old, tank_ref, first=today != day))
        day = today
    w.append("</repetitiongroup></profiledata></uddf>")
    return "\n".join(w) + "\n"


def _tankdata(t, old, d):
    mix = _mix_id(round(t["o2"], 3), round(t["he"], 3), t["argon"])
    unit = f"tk-{t['unit_id'].lower()}"
    link = f'<mixref ref="{mix}"/><tankref ref="{unit}"/>' if old else f'<link ref="{mix}"/><link ref="{unit}"/>'
    scale, places = (1.0, 1) if d.get("in_bar") else (1e5, 0)
    out = link + f'<tankpressurebegin>{t["start_bar"] * scale:.{places}f}.0</tankpressurebegin>'.replace(".0.0", ".0")
    if t["end_bar"] is not None:
        out += f'<tankpressureend>{t["end_bar"] * scale:.{places}f}.0</tankpressureend>'.replace(".0.0", ".0")
    return out


def _dive(d, old, tank_ref, first):
    w = [f'<dive id="dive-{d["dive_id"]}">']
    air, surface = d["air_c"] + 273.15, d["surface_bar"] * 1e5
    if old:
        t = local(d["started_s"])
        w.append(f"<date><year>{t.year}</year><month>{t.month}</month><day>{t.day}</day></date><time><hour>{t.hour}</hour><minute>{t.minute}</minute></time>")
        w.append("<surfaceinterval><infinity/></surfaceinterval>" if first else "<surfaceinterval><passedtime>9000.0</passedtime></surfaceinterval>")
        w.append(f'<airtemperature>{air:.1f}</airtemperature><density>1025.0</density><greatestdepth>{d["max_depth"]:.1f}</greatestdepth>')
        w.append("<equipmentused>" + "".join(f'<tankdataref ref="td-{d["dive_id"]}-{k + 1}"/>' for k in range(len(d["tanks"]))) + "</equipmentused>")
    else:
        t = utc(d["started_s"])
        w.append(f'<informationbeforedive><link ref="site-1"/><divenumber>{d["number"]}</divenumber><datetime>{t:%Y-%m-%dT%H:%M:%SZ}</datetime>'
                 f"<airtemperature>{air:.1f}</airtemperature><surfacepressure>{surface:.0f}.0</surfacepressure><surfaceintervalbeforedive>"
                 + ("<infinity/>" if first else "<passedtime>9000.0</passedtime>") + "</surfaceintervalbeforedive></informationbeforedive>")
        for k, tank in enumerate(d["tanks"]):
            w.append((f'<tankdata id="td-{d["dive_id"]}-{k + 1}">' if tank_ref == "ref" else "<tankdata>") + _tankdata(tank, old, d) + "</tankdata>")
    w.append("<samples>")
    scale, places = (1.0, 1) if d.get("in_bar") else (1e5, 0)
    for k, (t, depth, water, bars) in enumerate(d["samples"]):
        line = f"<waypoint><depth>{depth:.1f}</depth><divetime>{t:.0f}</divetime>"
        if k == 0 and not old:
            tank = d["tanks"][0]
            line += f'<switchmix ref="{_mix_id(round(tank["o2"], 3), round(tank["he"], 3), tank["argon"])}"/>'
        if not old:
            for tank, bar in zip(d["tanks"], bars, strict=True):
                if bar is not None:
                    line += f'<tankpressure {tank_ref}="tk-{tank["unit_id"].lower()}">{bar * scale:.{places}f}</tankpressure>'
        if water is not None:
            line += f"<temperature>{water + 273.15:.1f}</temperature>"
        w.append(line + "</waypoint>")
    w.append("</samples>")
    if not old:
        w.append(f'<informationafterdive><lowesttemperature>{d["water_low"] + 273.15:.1f}</lowesttemperature><greatestdepth>{d["max_depth"]:.1f}</greatestdepth>'
                 f'<diveduration>{d["samples"][-1][0]:.0f}.0</diveduration></informationafterdive>')
    w.append("</dive>")
    return "".join(w[:-2]) + "".join(w[-2:])
