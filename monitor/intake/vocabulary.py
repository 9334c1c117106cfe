"""By which words people and makers call what is measured, and in which units it may come.

General vocabulary of the larger European languages, written without accents (see `words_of`). A
quantity that is new in `site/quantities.py` needs its words here, or it is never proposed.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import NamedTuple

from monitor.site.quantities import Quantity


def _split(words: str) -> list[str]:
    return words.split()


class Likely(NamedTuple):
    """A unit a value may be in where nothing tells it, by the number alone.

    scale   how much of the unit the number 1 is; below 1 only whole numbers are meant
    """

    unit: str
    low: float
    high: float
    scale: float = 1.0


class Called(NamedTuple):
    """How a quantity is called. words: whole ones; stems: parts of words; likely: best first."""

    words: str
    stems: str
    likely: tuple[Likely, ...]


_DEGREES = (
    Likely("°C", -45, 55),
    Likely("°F", 55, 140),
    Likely("°C", 140, 550, 0.1),
    Likely("°F", 550, 1_000, 0.1),
    Likely("°C", 1_000, 5_500, 0.01),
    Likely("°F", 5_500, 12_000, 0.01),
    Likely("°C", -450, -45, 0.1),
    Likely("°C", -4_500, -450, 0.01),
)
CALLED: dict[Quantity, Called] = {
    Quantity.SURFACE_TEMPERATURE: Called(
        "surface skin walltemp wall wand pared mur parete muur vagg vaeg vegg stena sciana seina",
        "oberflach superfic powierzch pinta surface",
        _DEGREES,
    ),
    Quantity.TEMPERATURE: Called(
        "t ta temp tmp tc tf degc degf celsius fahrenheit teplo warmte",
        "temper teplot lampotil homerseklet sicaklik θερμοκρασ температур temperat",
        _DEGREES,
    ),
    Quantity.HUMIDITY: Called(
        "h rh hr rf hum humi relhum nem hygro feuchte vlaga fukt",
        "humid humed umidit umidad umiditat feucht vochtig wilgotn vlhkost fuktighe fugtighed "
        "kosteus paratartal nedvesseg vlaznost vlaznost υγρασ влажн вологіст hygromet",
        (
            Likely("%", 1.001, 105),
            Likely("1", 0, 1.001),
            Likely("%", 105, 1_050, 0.1),
            Likely("%", 1_050, 10_500, 0.01),
        ),
    ),
    Quantity.ILLUMINANCE: Called(
        "l lx lux klx light licht luz luce lys ljus isik luminosity als",
        "illumin hellig beleucht luminos luminan lichtst lichtin lumiere eclairem iluminac oswietl "
        "jasnosc osvetl valoisuu megvilag fenyero lumina brightn φωτειν φωτισμ освещ освітл belys",
        (Likely("lx", 0, 200_000),),
    ),
    Quantity.IRRADIANCE: Called(
        "ghi solar wm2 pyranometer",
        "irradia radiat radiac globalstr strahlung rayonnem irraggia instraling naslonecz "
        "promieniow zareni stralning sateily sugarzas radiaz ακτινοβ радиац радіац",
        (Likely("W/m2", -10, 1_500),),
    ),
    Quantity.PRESSURE: Called(
        "p pa hpa kpa press baro qfe qnh druck druk tlak tryk trykk tryck paine mbar",
        "pressur luftdru presion pression pressao pressione luchtdru cisnien lufttry ilmanpain "
        "legnyom nyomas presiune basinc barometr πιεσ давлен тиск налягане",
        (
            Likely("hPa", 500, 1_100),
            Likely("kPa", 50, 110),
            Likely("hPa", 5_000, 11_000, 0.1),
            Likely("Pa", 50_000, 110_000),
        ),
    ),
    Quantity.MASS: Called(
        "g kg mass masse massa masa weight gewicht peso poids waga vaha vikt vaegt vekt paino suly "
        "grams gramm kutle βαρος вес вага маса масса scale",
        "gewicht hmotnost tomeg greutat agirlik",
        (Likely("g", -100, 100_000),),
    ),
    Quantity.BATTERY: Called(
        "b bat bata batt vbat vbatt vcc vdd akku accu pil pila pile supply volt volts voltage "
        "spannung napeti napiecie tension",
        "batter bateri akkumul battery paristo μπαταρ батаре акумул аккумул",
        (
            Likely("1", 0.001, 0.999),
            Likely("V", 1, 5),
            Likely("%", 5, 100),
            Likely("V", 1_500, 6_000, 0.001),
        ),
    ),
    Quantity.SIGNAL: Called("rssi dbm wifi", "signal senal segnal", (Likely("dBm", -130, -1),)),
    Quantity.RAIN: Called(
        "rain regen pluie lluvia pioggia chuva regn opad deszcz dest sade eso ploaie yagmur",
        "rainf precip niedersch neerslag nederb nedbor srazk opady csapad βροχ дожд дощ осадк",
        (Likely("mm", 0, 100_000),),
    ),
}

# Words that tell the unit along with the quantity.
UNIT_OF = {
    **dict.fromkeys(_split("vbat vbatt vcc vdd voltage spannung napeti napiecie tension"), "v"),
    **dict.fromkeys(_split("tc degc"), "c"),
    **dict.fromkeys(_split("tf degf"), "f"),
}

# What sounds like one of ours and is not, and why it is left out.
_OTHER = "it seems to be {}, which is not watched here"
NOT_OURS: dict[str, str] = {
    **dict.fromkeys(
        _split(
            "min max minimum maximum avg average mean mittel target setpoint setpt soll sollwert "
            "consigne zadana alarm threshold limit offset calibration cal delta trend yesterday"
        ),
        "it seems to be a limit, a mean or a correction, not what is measured now",
    ),
    **dict.fromkeys(
        _split(
            "dew dewpoint taupunkt rosee rocio rosy feels felt apparent heatindex humidex "
            "windchill wetbulb absolute abs vpd enthalpy"
        ),
        "it is worked out here from temperature and humidity",
    ),
    **dict.fromkeys(
        _split("soil boden sol suelo suolo gleba puda ground water wasser moisture"),
        _OTHER.format("of soil or water"),
    ),
    **dict.fromkeys(
        _split("cpu chip board core mcu soc internal device processor die"),
        _OTHER.format("the device's own warmth"),
    ),
    **dict.fromkeys(_split("rate intensity wind gust"), _OTHER.format("a rate")),
    **dict.fromkeys(
        _split("precision resolution accuracy interval period uptime count counter seq version"),
        "it tells of the device, not of the air",
    ),
}

# Words that say nothing of where or what.
GENERIC = frozenset(
    _split(
        "aria ar aire lucht ilma levego aer hava powietrze vzduch воздух повітря αερα "
        "value val values wert werte messwert valeur valor valore waarde wartosc hodnota varde "
        "verdi state status data dati daten reading readings measurement measurements measure "
        "payload msg message sensor sensors sensore air luft env environment climate klima "
        "current now last level result results telemetry rel relative relativ channel channels "
        "item items list parameter num number amount measured json is ist of in the"
    )
)
VALUE_KEYS = frozenset(
    _split(
        "value val v wert messwert valeur valor valore waarde wartosc hodnota varde verdi arvo "
        "ertek state reading data current now measured"
    )
)
NAME_KEYS = frozenset(
    _split(
        "name id label sensor device node room place location probe mac addr address serial "
        "where ort raum zimmer nom nombre nome naam nazwa lieu lugar luogo miejsce"
    )
)
UNIT_KEYS = ("unit", "einheit", "unidad", "unita", "unite", "jednost", "eenheid", "enhet", "uom")
TIME_WORDS = frozenset(
    _split(
        "ts time timestamp at when date datetime epoch tm utc t dt stamp clock zeit uhrzeit "
        "zeitpunkt datum heure hora fecha ora czas cas tid tijd aika ido saat vreme measured "
        "seen sampled horodatage zeitstempel время час дата ωρα"
    )
)
NOT_NOW = frozenset(_split("boot start started next expires expiry sunrise sunset since reset due"))

_LETTERS = str.maketrans({"ł": "l", "ø": "o", "æ": "ae", "ß": "ss", "ı": "i", "đ": "d", "œ": "oe"})
_PARTS = re.compile(r"[^\W\d_]+|[0-9]+|%")
_CAMEL = re.compile(r"([^\W\d_A-Z])([A-Z])")
_LONGEST_NAME = 200


@lru_cache(4096)
def words_of(name: str) -> tuple[str, ...]:
    """A name's words in lower case without accents, digits apart.

    >>> words_of("airTemp2_C"), words_of("wilgotność %")
    (('air', 'temp', '2', 'c'), ('wilgotnosc', '%'))
    """
    parted = _CAMEL.sub(r"\1 \2", name[:_LONGEST_NAME]).lower().translate(_LETTERS)
    plain = (c for c in unicodedata.normalize("NFD", parted) if not unicodedata.combining(c))
    return tuple(_PARTS.findall("".join(plain)))


@lru_cache(4096)
def called(word: str) -> Quantity | None:
    """The quantity that one word stands for."""
    for quantity, names in CALLED.items():
        if word in names.words.split():
            return quantity
    if len(word) < 4:
        return None
    plain = _folded_stems()
    return next((quantity for stem, quantity in plain if stem in word), None)


@lru_cache(1)
def _folded_stems() -> list[tuple[str, Quantity]]:
    """The stems as `words_of` writes words."""
    return [(words_of(stem)[0], q) for q, names in CALLED.items() for stem in names.stems.split()]
