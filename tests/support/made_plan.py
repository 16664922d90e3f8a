"""Mic plans in a line each, and their predictions by name."""

from polaritykit.jobs.layout.plan_file import read_plan


def plan(*parts, room="speed_of_sound_mps = 343.2", head=""):
    """Plan from (kind, name, position, more TOML)."""
    text = f"{head}\n[room]\n{room}\n"
    for kind, name, position, *more in parts:
        text += f'[[{kind}]]\nname = "{name}"\nposition_m = {list(position)}\n' + "\n".join(more) + "\n"
    return read_plan(text)


def pair_of(layout, source, a, b):
    """Find one predicted pair."""
    return next(pair for pair in layout.pairs if (pair.source, pair.a, pair.b) == (source, a, b))


def arrival_of(layout, source, mic):
    """Find one predicted arrival."""
    return next(item for item in layout.arrivals if (item.source, item.mic) == (source, mic))


def template_plan(name):
    """Read a starting file at 343.2 m/s, the speed of the published numbers."""
    from polaritykit.commands.layout import _PLANS

    text = (_PLANS / f"{name}.toml").read_text(encoding="utf-8")
    head, _, rest = text.partition("[room]")
    lines = [line for line in rest.splitlines() if not line.startswith(("temperature_c", "humidity_percent"))]
    return read_plan(head + "[room]\nspeed_of_sound_mps = 343.2\n" + "\n".join(lines))
