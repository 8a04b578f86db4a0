"""Text that a name, a note or a word of the user may hold, and a plan full of it."""

from siting.planning.model import Plan

#: What a name may throw at a page, a sheet or a file.
HOSTILE = (
    "<script>window.__hit=1</script>",
    "`back` ${alert(1)} ${window.__hit=2}",
    '"quo"te\' --> ]]> \\ \\u0041 </script><img src=x onerror=window.__hit=3>',
    "גן עליון \u202e\u2067حديقة 🌱👩‍🌾 Größe Ł 水",
    "long " + "n" * 295,
    "=cmd|'/c calc'!A1",
    "a\u2028b\u2029c",
)


def with_nasty_text(plan: Plan) -> Plan:
    """Put nasty text into the remaining text columns; the frames are this plan's own."""
    for frame, columns in (
        (plan.zones, ("plants", "soil", "irrigation", "defaults")),
        (
            plan.sensors,
            (
                "depth_note",
                "binding_setback",
                "setback_note",
                "threshold_note",
                "zone_note",
                "application_note",
                "hardware",
            ),
        ),
        (plan.wire_routes, ("crosses",)),
        (plan.ties, ("from_kind",)),
        (plan.keepout, ("hazard",)),
        (plan.parts, ("item", "unit", "note")),
        (plan.choices, ("groups",)),
        (plan.site.fixtures, ("kind",)),
    ):
        for column in columns:
            frame[column] = [HOSTILE[k % len(HOSTILE)] for k in range(len(frame))]
    object.__setattr__(plan, "answer", " ".join(HOSTILE))
    object.__setattr__(plan, "headline", " ".join(HOSTILE))
    object.__setattr__(plan, "cautions", HOSTILE)
    object.__setattr__(plan, "warnings", HOSTILE)
    plan.economics["claim"] = HOSTILE[1]
    plan.economics["currency"] = HOSTILE[0]
    return plan
