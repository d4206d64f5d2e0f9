"""Words of exports in several languages: names of columns, of header entries, and units.

The lists are general vocabulary, compared after case, accents and punctuation are taken away. A word that is
not here leads to a doubt, never to a guess.
"""

from __future__ import annotations

import re
import unicodedata

COLUMN_WORDS: dict[str, tuple[str, ...]] = {
    "index": (
        "index", "idx", "nr", "no", "n", "num", "number", "nummer", "i", "#", "point", "points", "punkt",
        "pkt", "pt", "sample", "samples", "lfd", "lfdnr", "zeile", "row", "punto", "numero", "proba",
        "probka", "bod", "番号", "номер", "序号",
    ),
    "time": (
        "time", "t", "zeit", "temps", "tempo", "tiempo", "tijd", "tid", "czas", "cas", "時間", "время",
        "时间",
    ),
    "angle": (
        "angle", "winkel", "drehwinkel", "phi", "theta", "φ", "θ", "angolo", "angulo", "vinkel", "hoek",
        "kat", "uhel", "угол", "角度", "aci", "szog", "kulma", "rotation", "umdrehung", "umdrehungen",
        "revolution", "revolutions", "turn", "turns", "rev", "giri", "giro", "vuelta", "vueltas", "tours",
        "tour", "azimuth", "drehlage", "spindelwinkel", "c axis", "c achse",
    ),
    "deviation": (
        "deviation", "dev", "abweichung", "abw", "ecart", "deviazione", "scostamento", "desviacion",
        "desvio", "afwijking", "avvikelse", "afvigelse", "avvik", "odchylka", "odchyłka", "偏差",
        "отклонение", "sapma", "elteres", "poikkeama", "messwert", "messwerte", "reading", "lecture",
        "lettura", "lectura", "probe", "taster", "gauge", "value", "wert", "valeur", "valore", "valor",
        "wartosc", "hodnota", "signal", "mesure", "misura", "medida", "radial deviation", "form deviation",
        "error", "fehler", "erreur", "errore", "waarde", "varde", "radius", "rayon", "raggio", "radio",
        "値", "значение", "auslenkung",
    ),
    "diameter": (
        "diameter", "dia", "durchmesser", "diametre", "diametro", "ø", "srednica", "prumer", "diametru", "cap",
        "halkaisija", "直径", "диаметр",
    ),
    "torque": (
        "torque", "drag torque", "preload torque", "drehmoment", "reibmoment", "leerlaufdrehmoment",
        "couple de frottement", "coppia", "vridmoment", "トルク", "扭矩", "крутящий момент",
    ),
    "travel": (
        "travel", "weg", "verfahrweg", "course", "deplacement", "corsa", "carrera", "recorrido",
        "verplaatsing", "rorelse", "przesuw", "droga", "draha", "行程", "перемещение", "ход", "position",
        "posizione", "posicion", "sollweg", "nominal travel", "nominal", "soll", "sollposition", "length",
        "strecke",
    ),
    "x": ("x", "axial position", "axialweg", "laengs", "langs", "along"),
    "z": ("z", "height", "hoehe", "hohe", "hauteur", "altezza", "altura", "across"),
    "axial": (
        "axial", "axial mm", "axial position", "z axis", "z achse", "axialposition", "axiale", "assiale",
    ),
    "side": ("side", "seite", "cote", "lato", "lado", "zijde", "sida", "strona", "strana", "側", "сторона"),
    "other": (
        "temperature", "temperatur", "temp", "speed", "rpm", "drehzahl", "force", "kraft", "status", "flag",
        "quality", "ok", "messkraft", "valid",
    ),
}  # fmt: skip
"""Roles of a column and the words for them."""

HEADER_WORDS: dict[str, tuple[str, ...]] = {
    "part": (
        "part", "part number", "part no", "p n", "pn", "part id", "teil", "teilenummer", "teilenr",
        "teile nr", "teil nr", "artikel", "artikelnummer", "artikel nr", "sachnummer", "zeichnung",
        "zeichnungsnummer", "zeichnungs nr", "werkstuck", "reference", "reference piece", "piece",
        "numero de piece", "n piece", "codice", "codice pezzo", "pezzo", "articolo", "disegno", "pieza",
        "numero de pieza", "referencia", "onderdeel", "onderdeelnummer", "detalj", "detaljnummer",
        "numer czesci", "czesc", "dil", "cislo dilu", "品番", "零件号", "деталь", "номер детали",
        "parca no", "workpiece", "item", "component", "drawing", "部品番号", "図番", "零件號", "零件编号",
        "обозначение",
    ),
    "serial": (
        "serial", "serial number", "serial no", "s n", "sn", "seriennummer", "serien nr", "seriennr",
        "numero de serie", "n de serie", "n serie", "numero di serie", "matricola", "serienummer",
        "numer seryjny", "nr seryjny", "vyrobni cislo", "seriove cislo", "製造番号", "序列号",
        "серийный номер", "seri no", "serial id", "シリアル番号", "序號", "заводской номер", "серийный №",
        "vyrobni c",
    ),
    "feature": (
        "feature", "merkmal", "trace", "flank", "flanke", "caracteristique", "flanc", "caratteristica",
        "fianco", "caracteristica", "flanco", "kenmerk", "egenskap", "cecha", "znak", "特徴", "элемент",
        "measured feature", "測定箇所", "測定部位", "部位", "特征", "特徵", "要素", "prvek", "charakteristika",
        "признак", "поверхность",
    ),
    "datetime": (
        "measured at", "date time", "datetime", "timestamp", "datum zeit", "datum uhrzeit", "messzeit",
        "messzeitpunkt", "zeitstempel", "date heure", "data ora", "fecha hora", "measured", "gemessen am",
        "measured on", "time stamp", "日時", "測定日時", "测量时间", "дата и время", "datum a cas",
    ),
    "date": (
        "date", "datum", "data", "fecha", "dato", "messdatum", "measurement date", "date de mesure",
        "data misura", "fecha de medicion", "日付", "日期", "дата", "tarih", "測定日", "検査日", "测量日期",
        "дата измерения", "datum mereni", "data pomiaru",
    ),
    "time": (
        "time", "zeit", "uhrzeit", "heure", "ora", "hora", "tijd", "tid", "godzina", "cas", "時刻", "时间",
        "время",
    ),
    "instrument": (
        "instrument", "machine", "gauge", "gage", "device", "gerat", "messgerat", "maschine",
        "messmaschine", "appareil", "strumento", "macchina", "instrumento", "maquina", "equipo", "apparaat",
        "przyrzad", "pristroj", "装置", "测量仪", "прибор", "station", "matplats",
    ),
    "operator": (
        "operator", "prufer", "bediener", "operateur", "operatore", "operador", "inspector", "inspecteur",
        "user", "benutzer", "controleur", "operatör", "作業者", "оператор",
    ),
    "order": (
        "order", "order no", "order number", "auftrag", "auftragsnummer", "auftrags nr", "commande",
        "ordine", "orden", "job", "zlecenie", "zakazka", "заказ",
    ),
    "sensing": (
        "sensing", "sensing direction", "probing direction", "messrichtung", "antastrichtung",
        "direction de palpage", "direzione", "direzione di tastatura", "direccion", "direccion de palpado",
        "gauge direction", "smer snimani", "направление измерения", "測定方向", "测量方向",
    ),
    "tip_radius_mm": (
        "tip radius", "stylus radius", "stylus tip radius", "probe radius", "tastspitzenradius",
        "spitzenradius", "tastkugelradius", "kugelradius", "rayon de pointe", "rayon palpeur",
        "rayon du palpeur", "raggio punta", "raggio tastatore", "raggio di punta", "radio de punta",
        "radio de la punta", "radio palpador", "promien", "polomer hrotu", "polomer dotyku", "radius hrotu",
        "promien koncowki", "радиус щупа", "радиус наконечника", "先端半径", "触針半径", "测针半径",
    ),
    "tip_diameter": (
        "tip diameter", "stylus diameter", "probe diameter", "tastkugeldurchmesser", "kugeldurchmesser",
        "diametre palpeur", "diametro tastatore", "diametro punta", "diametro de punta", "stylus tip diameter",
        "probe tip diameter", "stylus ball diameter", "probe ball diameter", "tip ball diameter",
        "ball tip diameter",
        "stylus tip dia", "tip dia", "tastspitzendurchmesser", "spitzendurchmesser", "durchmesser tastkugel",
        "durchmesser tastspitze", "tasterdurchmesser", "diametre de pointe", "diametre de la pointe",
        "diametre bille",
        "diametro sfera", "diametro de la punta", "diametro palpador", "diametro de bola", "prumer hrotu",
        "prumer kulicky", "srednica koncowki", "диаметр щупа", "диаметр наконечника", "測定子径", "触針径",
        "先端径", "测针直径", "测头直径",
    ),
    "track_diameter_mm": (
        "track diameter", "measuring diameter", "laufbahndurchmesser", "messdurchmesser", "bahndurchmesser",
        "diametre de piste", "diametre de mesure", "diametro pista", "diametro di misura",
        "diametro de pista", "diametro de medicion", "spardiameter", "prumer drahy", "merici prumer",
        "srednica biezni", "диаметр дорожки", "диаметр измерения", "測定径", "測定直径", "軌道径", "测量直径",
        "滚道直径",
    ),
    "spindle_rpm": (
        "spindle speed", "speed", "rpm", "drehzahl", "spindeldrehzahl", "vitesse de rotation",
        "vitesse broche", "velocita mandrino", "velocita di rotazione", "velocidad de giro",
        "velocidad husillo", "toerental", "varvtal", "obroty", "otacky",
    ),
    "temperature_c": (
        "temperature", "temperatur", "temperatura", "temperatuur", "teplota", "温度", "температура",
    ),
    "lead_mm": (
        "lead", "steigung", "gewindesteigung", "pas de vis", "pas du filet", "passo vite", "paso de rosca",
    ),
    "per_turn": (
        "points per turn", "points per revolution", "points per rev", "points turn", "points rev",
        "samples per turn", "samples per revolution", "samples rev", "punkte pro umdrehung",
        "punkte je umdrehung", "punkte umdrehung", "punkte umdr", "points par tour", "points tour",
        "punti per giro", "punti giro", "puntos por vuelta", "puntos vuelta", "punten per omwenteling",
        "punkter per varv", "ppr", "points per 360", "bodu na otacku", "pocet bodu na otacku",
        "punktow na obrot", "точек на оборот", "число точек на оборот", "1回転の点数", "1回転あたりの点数",
        "每转点数",
    ),
    "step": (
        "step", "angle step", "angular step", "increment", "angle increment", "schritt", "schrittweite",
        "winkelschritt", "winkelinkrement", "inkrement", "pas angulaire", "pas", "passo angolare", "passo",
        "paso angular", "paso", "stap", "hoekstap", "steg", "spacing", "point spacing", "punktabstand",
        "delta", "abtastschritt", "sampling step", "sample interval",
    ),
    "turns": (
        "turns", "revolutions", "number of turns", "umdrehungen", "anzahl umdrehungen", "tours",
        "nombre de tours", "giri", "numero giri", "vueltas", "numero de vueltas", "varv", "omwentelingen",
    ),
    "unit": (
        "unit", "units", "einheit", "einheiten", "unite", "unites", "unita", "unidad", "unidades",
        "eenheid", "enhet", "jednostka", "jednotka", "deviation unit", "einheit abweichung",
        "einheit messwert", "unit of deviation", "unite ecart", "value unit", "单位", "単位",
    ),
    "angle_unit": (
        "angle unit", "winkeleinheit", "einheit winkel", "unite angle", "unita angolo", "unidad angulo",
    ),
}  # fmt: skip
"""Header entries and the words for them; those with a name of no header key are hints for the columns."""

_FLANK_PAIRS = (
    ("left flank", "right flank"), ("linke flanke", "rechte flanke"), ("flanc gauche", "flanc droit"),
    ("fianco sinistro", "fianco destro"), ("flanco izquierdo", "flanco derecho"), ("left", "right"),
    ("links", "rechts"), ("gauche", "droit"), ("sinistro", "destro"), ("izquierdo", "derecho"), ("l", "r"),
    ("linkerflank", "rechterflank"), ("vanster flank", "hoger flank"), ("lewy bok", "prawy bok"),
    ("levy bok", "pravy bok"), ("levy", "pravy"), ("левый бок", "правый бок"), ("левый", "правый"),
    ("左フランク", "右フランク"), ("左側面", "右側面"), ("左侧面", "右侧面"), ("左侧", "右侧"), ("左", "右"),
)  # fmt: skip

TURN_WORDS = frozenset({
    "turn", "turns", "turn no", "turn number", "revolution", "revolutions", "rev", "umdrehung",
    "umdrehungen", "umdr",
    "windung", "tour", "tours", "giro", "giri", "vuelta", "vueltas", "varv", "omwenteling", "otacka",
    "obrot", "周", "оборот",
})  # fmt: skip
"""Names of a column that counts the turns of one trace; another that steps with them may name traces."""

PLANE_WORDS = frozenset({
    "plane", "plane no", "ebene", "messebene", "plan", "piano", "plano", "vlak", "plan no", "rovina",
    "plaszczyzna", "section", "schnitt", "coupe", "sezione", "seccion", "track", "spur", "laufbahn", "bahn",
    "piste", "pista", "spar", "flank", "flanke", "flanc", "fianco", "flanco", "groove", "rille", "gorge",
    "level", "height", "hoehe", "hohe", "hauteur", "quota", "altura", "面", "断面", "平面", "плоскость",
})  # fmt: skip
"""Names of a column that says which plane, flank or track a row is of; each of them is a trace of its own."""

FACTOR_WORDS = (
    "factor", "scale", "scaling", "gain", "multiplier", "sensitivity", "calibration", "correction",
    "amplification", "ratio", "lever", "multiply", "multiplied", "divide", "divided", "hebel", "verhaltnis",
    "ubersetzung", "rapport", "levier", "rapporto", "leva", "relacion", "palanca",
    "resolution", "faktor", "skala", "skalierung", "massstab", "empfindlichkeit", "verstarkung", "kalibrier",
    "korrektur", "auflosung", "facteur", "echelle", "sensibilite", "etalonnage", "fattore", "scala",
    "sensibilita",
    "taratura", "guadagno", "escala", "sensibilidad", "calibracion", "ganancia", "wspolczynnik", "skalafaktor",
    "zesileni", "meritko", "citlivost", "koeficient", "wzmocnienie", "czulosc", "lsb", "digit", "magnification",
    "倍率", "係数", "系数", "感度", "коэффициент", "масштаб", "усиление", "чувствительность", "множитель",
)  # fmt: skip
"""Words of header lines by whose number the readings may still have to be multiplied or divided."""

SENSING_WORDS = {
    "normal": "normal", "normale": "normal", "radial": "radial", "radiale": "radial", "axial": "axial",
    "axiale": "axial", "assiale": "axial", "senkrecht": "normal", "perpendicular": "normal",
    "radialni": "radial", "axialni": "axial", "半径方向": "radial", "軸方向": "axial", "法線方向": "normal",
    "径向": "radial", "轴向": "axial", "法向": "normal", "радиальное": "radial", "осевое": "axial",
}  # fmt: skip

SIDE_WORDS = {
    "top": "top", "oben": "top", "haut": "top", "sopra": "top", "arriba": "top", "boven": "top", "upper": "top",
    "bottom": "bottom", "unten": "bottom", "bas": "bottom", "sotto": "bottom", "abajo": "bottom",
    "onder": "bottom", "lower": "bottom",
}  # fmt: skip

KIND_WORDS = {
    "spiral": (
        "spiral", "spirale", "espiral", "helix", "schraubenlinie", "flank", "flanke", "flanc", "fianco",
        "flanco", "linkerflank", "rechterflank", "levy bok", "pravy bok", "lewy bok", "prawy bok",
        "левыи бок", "правыи бок", "フランク", "左フランク", "右フランク", "左侧面", "右侧面",
    ),
    "circle": (
        "roundness", "rundheit", "circularite", "rotondita", "redondez", "circle", "kreis", "rondheid",
    ),
    "travel": ("lead test", "lead error", "steigungsprufung", "travel", "wegabweichung", "steigungsfehler"),
    "axial": (
        "axial section", "achsschnitt", "axialschnitt", "coupe axiale", "sezione assiale", "profile",
        "profil",
    ),
}  # fmt: skip
"""Words anywhere in a header that speak for a kind of trace; never more than a hint."""

_UNIT_WORDS: dict[tuple[str, float], tuple[str, ...]] = {
    ("deg", 1.0): (
        "°", "deg", "degs", "degree", "degrees", "grd", "altgrad", "grado", "grados", "gradi", "degre",
        "degres", "stopnie", "stupne", "graden", "grader", "度", "град", "derece",
    ),
    ("grad-or-deg", 1.0): ("grad",),
    ("rad", 1e-3): ("mrad", "millirad", "milliradian"),
    ("rad", 1.0): ("rad", "radian", "radians", "radiant", "radianti", "radianes", "рад"),
    ("grad", 1.0): ("gon", "neugrad", "gra"),
    ("rev", 1.0): (
        "rev", "revs", "revolution", "revolutions", "turn", "turns", "u", "umdr", "umdrehung",
        "umdrehungen", "tr", "tour", "tours", "giri", "giro", "vuelta", "vueltas", "varv", "obr", "об",
    ),
    ("arcmin", 1.0): ("arcmin", "′"),
    ("um", 1.0): (
        "um", "μm", "micron", "microns", "mikrometer", "micrometer", "micrometre", "мкм", "微米", "mikron",
        "micrometri",
    ),
    ("mm", 1.0): ("mm", "millimeter", "millimetre", "мм", "毫米", "millimetri"),
    ("nm", 1.0): ("nm", "nanometer", "nanometre", "нм"),
    ("m", 1.0): ("m", "meter", "metre"),
    ("cm", 1.0): ("cm",),
    ("inch", 1.0): ("in", "inch", "inches", "zoll", '"'),
    ("inch", 1e-6): ("uin", "μin", "microinch", "uinch"),
    ("inch", 1e-3): ("mil", "mils", "thou"),
    ("nm", 0.1): ("å", "angstrom"),
    ("s", 1.0): ("s", "sec", "ms", "sek"),
    ("none", 1.0): ("v", "mv", "volt", "counts", "count", "digit", "digits", "inc", "lsb", "%", "ink"),
}  # fmt: skip
UNITS = {word: unit for unit, words in _UNIT_WORDS.items() for word in words}
"""Unit as written (see ``unit_of``) to the unit of a layout and a factor before it."""

ANGLE_UNITS = ("deg", "rad", "grad", "rev", "arcmin", "grad-or-deg")
LENGTH_UNITS = ("um", "mm", "nm", "m", "cm", "inch")


def normal(text: str) -> str:
    """A word for comparison: lower case, without accents, punctuation as single blanks."""
    text = text.replace("ß", "ss").replace("ł", "l").replace("Ł", "L")
    bare = "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))
    return " ".join(re.sub(r"[^\w#φθ]+|_", " ", bare).split())


FEATURE_PAIRS = tuple((normal(left), normal(right)) for left, right in _FLANK_PAIRS)
"""How the left and the right flank are called, side by side, as ``normal`` makes it."""


def column_role(text: str) -> str | None:
    """Which role a column's name speaks for, None where it says nothing known."""
    word = normal(text)
    if not word:
        return None
    for role, words in _COLUMN_NORMAL.items():
        if word in words:
            return role
    tokens = set(word.split()) - {"t", "n", "i"}
    found = [
        role
        for role in ("torque", "other", "diameter", "deviation", "angle", "travel", "axial", "side", "time")
        if tokens & _COLUMN_NORMAL[role] or any(w in word for w in _COLUMN_NORMAL[role] if len(w) >= 4)
    ]
    if "angle" in found and {"deviation", "diameter"} & set(found):
        return None
    return found[0] if found else None


_COLUMN_NORMAL = {role: {normal(w) for w in words} for role, words in COLUMN_WORDS.items()}
