"""What every hand-off must carry: cautions, each with where it comes from.

Irrigation work, and in places even its design, is regulated; nothing here replaces the local code
or a licensed practitioner. Texts are plain words for the people who dig, wire and water.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from siting.language import say


@dataclass(frozen=True)
class Caution:
    """One caution.

    key: short name; text: what to print; source: where it comes from.
    """

    key: str
    text: str
    source: str


#: One line for the foot of every sheet.
DIG_CAUTION: Final = say(
    "Call before you dig: 811 in the US, 2-3 business days ahead; elsewhere the local one-call "
    "service. Private lines are not marked. Hand-dig within 24 in (0.6 m) of any mark."
)
#: Whom to call before digging, by the country of the property: ISO 3166-1 code -> words, source.
SERVICES: Final = {
    "US": (
        say("811, at least 2-3 business days ahead, as the state requires"),
        "US national 811 one-call number; notice of 2-3 business days by state law",
    ),
    "AU": (
        say("{number} ({service})", number="1100", service="Before You Dig Australia"),
        "1100.com.au, frequently asked questions: free national service, call 1100",
    ),
    "FR": (
        say("the {service}", service="guichet unique (www.reseaux-et-canalisations.gouv.fr)"),
        "Code de l'environnement R. 554-24; the service's address as communes print it",
    ),
}
_LOCAL: Final = say("your local one-call service")
CAUTIONS: Final = (
    Caution(
        "one_call",
        say(
            "Call before you dig. In the US call 811 at least 2-3 business days (as the state "
            "requires) before any digging; elsewhere use the local one-call service. Dig only "
            "when every utility has answered and the marks are on the ground."
        ),
        "US national 811 one-call number; notice of 2-3 business days by state law",
    ),
    Caution(
        "private_lines",
        say(
            "Private lines are not marked by the one-call service: irrigation pipe and wire, pool "
            "and lighting cable, septic lines, gas to grills or outbuildings. Ask the owner and "
            "use a private locator where in doubt."
        ),
        "common practice of one-call centres, no single source",
    ),
    Caution(
        "hand_dig",
        say(
            "Dig by hand within the tolerance zone of 18-24 in (0.45-0.6 m) on each side of any "
            "mark; state or local law sets the width. The same goes for the existing irrigation "
            "pipe."
        ),
        "state excavation laws: tolerance zones of 18 to 24 inches",
    ),
    Caution(
        "low_voltage",
        say(
            "Sensor and valve wiring is low voltage, Class 2, 30 V or less: install it to the "
            "local electrical code, with direct-burial cable at the required cover (6 in under "
            "the US code table for irrigation circuits), waterproof splices in a box, and no "
            "shared raceway with mains."
        ),
        "NFPA 70 (National Electrical Code), Article 725 and Table 300.5, column 5",
    ),
    Caution(
        "line_voltage",
        say(
            "Line-voltage work, the controller's supply included, is for a licensed electrician. "
            "Disconnect the supply before opening a controller."
        ),
        "national and local electrical licensing law; common practice",
    ),
    Caution(
        "sensor_leads",
        say("Do not lengthen or shorten a sensor's leads beyond what its maker allows."),
        "common practice, no published source",
    ),
    Caution(
        "backflow",
        say(
            "Cross-connection: a system fed with drinking water needs an approved backflow "
            "preventer, tested after any work on the piping by someone certified to do so, under "
            "the plumbing code and the water supplier's rules."
        ),
        "plumbing codes; ASSE 1013, 1015, 1020; 30 Texas Administrative Code 344",
    ),
    Caution(
        "roots",
        say(
            "Spare tree roots. Inside the critical root zone (about 1 to 1.5 ft of radius per "
            "inch of trunk diameter) dig by hand or bore under, and do not cut roots thicker than "
            "about 1 in; ask an arborist when in doubt."
        ),
        "critical root zones of 1, 1.25 and 1.5 ft per inch in municipal codes (Vancouver WA; NC"
        " Urban Forest Council; Edina MN); root size: common practice",
    ),
    Caution(
        "watering_rules",
        say(
            "Local watering rules come first: permitted days and hours, drought stages, runoff "
            "bans and the rules of an owners' association overrule the run times of this plan."
        ),
        "local ordinances; common practice",
    ),
    Caution(
        "licence",
        say(
            "Irrigation work, and in places its design and advice, may only be done by licensed "
            "people. This plan is a proposal: defer to the local licensed practitioner and the "
            "local code."
        ),
        "30 Texas Administrative Code 344 and similar licensing laws",
    ),
    Caution(
        "check_field",
        say(
            "This plan is computed from the layers and weather it was given. Check it on site "
            "before digging, and move a sensor that lands on something the map does not show."
        ),
        "common sense; the limits of any base map",
    ),
)


def dig_caution(country: str = "") -> str:
    """Return the one line for the foot of every sheet.

    country: code by ISO 3166-1, "" where the property does not say; the language has no part in it.

    >>> dig_caution("AU").partition(".")[0]
    'Call before you dig: 1100 (Before You Dig Australia)'
    """
    if not country:
        return DIG_CAUTION
    return say(
        "Call before you dig: {service}. Private lines are not marked. Hand-dig within 24 in "
        "(0.6 m) of any mark.",
        service=service_words(country),
    )


def service_words(country: str) -> str:
    """Return whom to call in a country.

    >>> service_words("MX")
    'your local one-call service'
    """
    return SERVICES[country][0] if country in SERVICES else _LOCAL


def cautions_for(*, country: str = "") -> tuple[str, ...]:
    """Return the cautions that a hand-off must carry.

    country: as in `dig_caution`. Result: plain words, in the order to print them.

    >>> cautions_for()[0].startswith("Call before you dig")
    True
    """
    texts = tuple(caution.text for caution in CAUTIONS)
    if country:
        told = say(
            "Call before you dig: {service}. Dig only when every utility has answered and the "
            "marks are on the ground.",
            service=service_words(country),
        )
        texts = (told, *texts[1:])
    ask = say(
        "If the system runs on reclaimed water, further rules apply: purple pipe and labels, "
        "signs, and no connection of any kind with drinking water."
    )
    return (*texts, ask)
