"""Trade words as databases spell them, in several languages, and what each one means.

Words are folded: lower case, no accents. Abbreviations stand beside the full words; the
list is common practice, no source. A word may mean several things at once.
"""

from __future__ import annotations

from typing import Final


def bag(words: str) -> frozenset[str]:
    """Return the words of a text."""
    return frozenset(words.split())


QUANTITIES: Final[dict[str, str]] = {
    "speed": "speed spd ws wss speeds velocity vel velo speedo geschwindigkeit geschw gschw "
    "geschwind vitesse vit velocidad vlcd velocita velocidade snelheid hastighet predkosc kmh kph "
    "mph",
    "revs": "rpm revs rev drehzahl drehz drz regime revoluciones giri toerental varvtal obroty",
    "voltage": "voltage potential millivolt millivolts volt volts vltg vlt voltaje spannung spng "
    "spg tension tensione tensao spanning napiecie vbat vbatt ubat ubatt vbatterie ub vcc vdd vb",
    "current": "current draw iq curr crnt crt cur amp amps ampere amperage strom strm courant "
    "corriente corrente intensite intensidad stroom ibat ibatt",
    "temperature": "temperature heat temperatures oat ect clt tco iat temp tmp temperatur "
    "temperatura temperatuur tmpr temps tpr",
    "torque": "torque trq tq trque tqe toq torq torques moment mom drehmoment dmom couple coupl "
    "coppia torsion torsione par koppel md effort",
    "angle": "angle ang agl angles winkel wnkl wkl wink angulo angolo hoek vinkel",
    "mode": "mode modus mod modo selection select program programm programme profile stufe "
    "betriebsart drivemode",
    "status": "status toestand stat state sts zustand etat estado stato condition betriebszustand",
}
"""What is measured."""

SHORT_QUANTITIES: Final[dict[str, str]] = {
    "speed": "v",
    "revs": "n",
    "voltage": "u",
    "current": "i",
    "temperature": "t te",
    "torque": "m",
    "angle": "an w",
}
"""Formula letters: believed only where no word names a quantity."""

SUBJECTS: Final[dict[str, str]] = {
    "vehicle": "vehicle vehicles veh vhcl vhl vcl car road ground fzg fahrzeug kfz vehicule "
    "vehiculo veicolo veiculo voiture coche carro voertuig fordon vs vss vfz",
    "chassis": "chassis ride machine travel longitudinal longi motion",
    "wheel": "wheel whl ws wss wheels rad raeder rader roue roues rueda ruedas ruota ruote wiel "
    "hjul",
    "engine": "engine eng engn ice verbrenner vkm crank crankshaft kurbelwelle vilebrequin ems ecm "
    "pcm dme thermique brennkraftmaschine",
    "motor": "motor iq mot mtr moteur motore emotor rotor emot",
    "steering": "steering helm steer steers strg strng ste str strwhl stwhl swa lenk lenkung "
    "lenkrad lenkwinkel lrad volant volante sterzo sterz stuur styrning eps epas ehps mdps pscm "
    "lws sas handlebar handlebars lenker guidon manillar manubrio pinion ritzel column col columna "
    "piantone colonne saule saeule lenksaule lenksaeule servolenkung psteer powersteering "
    "direccion direcao tbar torsionbar torsbar drehstab",
    "column": "column col torsion torsione columna piantone colonne saule saeule lenksaule "
    "lenksaeule tbar torsionbar torsbar drehstab pinion ritzel",
    "direction": "direction",  # steering in French, a sense of turning in English
    "handwheel": "handwheel handlebar handlebars lenkrad volant volante lenker guidon manillar "
    "manubrio helm strwhl stwhl hand",
    "module": "module mdule mdl modul modulo ecu steuergerat steuergeraet sg stg calculateur "
    "centralina centralita unit unite einheit pcb board platine electronics elektronik "
    "electronique electronic internal intern interne interno",
    "powerstage": "powerstage endstufe leistungsteil fet fets mosfet mosfets inverter bridge "
    "brucke bruecke heatsink kuhlkorper kuehlkoerper onduleur stage",
    "thermal": "thermal therm thermisch",
    "winding": "winding windings coil stator wicklung bobine bobina",
    "supply": "supply sply supp versorgung versorg vers alim alimentation alimentacion "
    "alimentazione feed terminal term klemme kl borne speisung voeding kl30 input",
    "battery": "battery batt bat btry batterie bateria batteria accu akku vbat vbatt ubat ubatt "
    "vbatterie ub ibat ibatt bms ibs bem vb kl30 starterbatterie",
    "system": "system board sys systeme sistema bord bordnetz netz net onboard reseau rete mains "
    "boardnet red powernet electrical network body bcm gateway gw main",
    "alternator": "alternator alt generator gen lichtmaschine lima alternateur alternador "
    "alternatore charging charge charger chrg lade laden",
    "driver": "driver drvr drv rider operator pilot fahrer conducteur pilote conductor conducente "
    "pilota manual hand user bestuurder",
    "assist": "assist help asst ass assistance assisted assi assistee assistita asistida "
    "unterstutzung unterstuetzung unterst hilfe hilfs servo boost booster asistencia assistenza "
    "support bekrachtiging",
    "delivered": "delivered output out applied produced geliefert abgegeben fourni entregado",
    "limit": "limit limiet lim lmt limits limitation limiter begrenzung begr grenze limite "
    "limitacion limitazione ceiling cap",
    "available": "available avail avl avlbl availability verfugbar verfuegbar verfg dispo "
    "disponible disponibile disponibilite capability capacity capab remaining verbleibend",
    "reduction": "reduction reduced reduce reduc reduktion reduzierung abregelung absenkung "
    "reduccion riduzione derate derating drtg derated minderung loss decrease abattement "
    "degradation",
    "factor": "factor fact fak faktor gain level lvl degree grad niveau nivel livello percent "
    "share pct prozent pourcentage porcentaje ratio quota",
    "ambient": "ambient buiten amb ext oat outside outdoor outsd exterior aussen aussentemp "
    "umgebung umg exterieur exterieure ambiante ambiente esterna esterno externa ausse omgeving",
    "air": "air luft aire aria",
    "coolant": "coolant koelwater koelvloeistof clnt cool kuhlmittel kuehlmittel kuhlwasser "
    "kuehlwasser kmt wasser water eau agua acqua refroidissement refrigerante liquide ect clt tco "
    "ldr wt kuhl",
    "actual": "actual actl act ist meas measured gemessen mesure medido misurato real reel istwert "
    "eff effective",
}
"""What it is measured of, and what is said of it."""

STRANGERS: Final[dict[str, str]] = {
    "target": "target tgt trgt trg targ set setpoint setp setpt soll sollwert desired des dsrd "
    "request requested req rq rqst reqd cmd command commanded cmnd demand dmd dem consigne cons "
    "deseada deseado objetivo obiettivo richiesta nominal want vorgabe anforderung anf sollvorgabe "
    "demande ref reference tg",
    "extreme": "max maximum min minimum mx mn peak upper lower threshold thresh thr thrsh schwelle "
    "seuil umbral soglia warn warning warnings alarm allowed permitted allw umbrales hochst maxi "
    "mini mxm",
    "rate": "rate grd grdt gradient gradiente derivative deriv accel acceleration acc accl delta "
    "slope ableitung yaw beschleunigung dot jerk variation",
    "offset": "offset offs ofs offst zero calibration cal null bias correction corr "
    "correccion trim learned adapt adaptation compensation",
    "calibrated": "calib calibrated kalibriert abgeglichen",
    "startup": "init initial initialised initialized",
    "counter": "counter cnt count ctr alive rolling rc zahler zaehler compteur contador contatore "
    "msgcnt sequence seq botschaftszahler mc pulse pulses msgcount cntr",
    "checksum": "checksum chk chksum chks crc cks prufsumme pruefsumme parity csum cs",
    "flag": "valid validity qf quality qual qly err error fault flt fail failure fehler defaut "
    "fallo guasto ok enable en enabled enbl invalid vld plaus lamp light led bit flag def deflt "
    "sense active activ aktiv inhibit disabled unavailable unavail avbl",
    "cruise": "cruise tempomat regulateur crucero crociera cc ccs gra",
    "lead": "lead object obj radar ahead rel relative relativ closing",
    "display": "display dsply disp anzeige cluster clu dash hud shown displayed indicated kombi ic "
    "icl tacho instrument",
    "gps": "gps gnss nav navigation satellite",
    "predicted": "predicted pred prediction forecast model modeled modelled estimated estim",
    "average": "average avg mean mittel mittelwert moyenne media medio trip filt gemittelt",
    "fan": "fan lufter luefter ventilateur ventilador ventola blower geblase",
    "pump": "pump pumpe pompe bomba pompa",
    "turbo": "turbo turbine compressor verdichter kompressor turbocharger cmpr elcmpr supercharger "
    "impeller",
    "transmission": "transmission trans trns getriebe gearbox gear gbx boite cambio cvt clutch "
    "kupplung tcu tcm trn xmission tc caja frizione embrague gang converter wandler shaft prop "
    "propshaft cardan axle achse differential diff awd driveline",
    "brake": "brake brk bremse frein freno brakes bremsen",
    "trailer": "trailer trlr trl anhanger anhaenger anh remorque remolque rimorchio aanhanger "
    "implement",
    "oil": "oil olie ol oel huile aceite olio",
    "fuel": "fuel kraftstoff carburant combustible carburante benzin diesel",
    "intake": "intake inlet iat ladeluft admission manifold mat aspirazione ansaug airin admision "
    "charge indair airind",
    "exhaust": "exhaust abgas egt exh echappement escape scarico catalyst kat dpf egr",
    "cabin": "cabin interior cabine innen innenraum hvac climate inside incar habitacle passenger "
    "cabina klima seat sitz intair",
    "tyre": "tyre tire reifen pneu tpms neumatico",
    "traction": "hv traction trac highvoltage hochvolt hybrid hev dcdc dcac propulsion traktion",
    "sensor": "sas lws sensor sens snsr sns geber capteur pot poti potentiometer raw roh",
    "auxiliary": "aux auxiliary secondary second zweit zusatz auxiliaire auxiliar",
    "lamp": "lamp lamps lights licht scheinwerfer headlamp phare",
    "solar": "solar panel",
    "pedal": "pedal throttle app tps gas fahrpedal drossel acelerador accelerateur papillon "
    "drosselklappe",
    "lane": "lane hca lta lka lkas ldw lks spur ldws lcc",
    "park": "park parking spas parken apa ipas parkassist",
    "cell": "cell cells zelle zellen cellule celda",
    "lateral": "lateral lat quer side slip roll pitch yaw gier heading",
    "test": "test diag diagnostic debug dummy reserved spare unused",
    "pressure": "pressure druck pression presion pressione press",
    "time": "time zeit temps tiempo tempo timer hour stunden duration dauer laufzeit odo odometer "
    "distance strecke",
    "open": "open offen ocv soc sof soh charge chg",
    "road": "roadwheel rack zahnstange cremaillere curvature krummung radius path",
    "overlay": "overlay superposition uberlagerung",
    "heater": "heater heizung seatheater glow defrost chauffage",
    "wiper": "wiper wischer",
    "partial": "damping damper friction reibung return rueckstell inertia hysteresis loop force "
    "feel daempfung dampfung amortissement frottement",
    "other": "wind sign hill cpu duty gate lambda o2 window windows injector glow usb pack pto "
    "wiper horn door cam ignition ign clock radio fensterheber",
    "filler": "value values val wert werte valeur valor valore signal signals sig data daten "
    "donnee donnees datos dati info operating operation betrieb main primary total absolute "
    "filtered resolution high low fast slow message msg frame public state number physical phys "
    "position posn pos electrical dynamics dynamic dynamique fahrdynamik",
    "crane": "boom hydraulic hydr hydraulik",
    "power": "power pwr leistung puissance potencia potenza watt kw load last",
}
"""What makes a signal another quantity than the one that a channel wants."""

CORNERS: Final[dict[str, str]] = {
    "front_left": "fl lf vl vli",
    "front_right": "fr rf vr avd vre",
    "rear_left": "rl lr hl arg hli",
    "rear_right": "rr hr ard hre",
    "front": "front frt vorn vorne vorder avant av delantera delantero anteriore ant voor",
    "rear": "rear hinten hint hinter arriere ar trasera trasero posteriore post achter",
    "left": "left lft links li gauche g izquierda izquierdo izq sinistra sx lh",
    "right": "right rght rgt rechts re droite d derecha derecho der destra dx rh",
}
"""Which wheel; two-letter forms hold only beside a wheel or a speed."""

FRENCH_COMPANY: Final = bag(
    "couple vitesse volant moteur assistee assistance tension courant etat angle roue "
    "temperature calculateur limite"
)
"""Words beside which "direction" is the steering."""


def _index() -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = {}
    for group in (QUANTITIES, SUBJECTS, STRANGERS, CORNERS):
        for concept, words in group.items():
            for word in words.split():
                found.setdefault(word, set()).add(concept)
    return {word: frozenset(concepts) for word, concepts in found.items()}


MEANINGS: Final[dict[str, frozenset[str]]] = _index()
"""Every word and what it means."""

SHORT_MEANINGS: Final[dict[str, str]] = {
    letter: concept for concept, letters in SHORT_QUANTITIES.items() for letter in letters.split()
}
"""Formula letters and the quantity each stands for."""
