"""Words by which headings and codes of unknown exports are recognised: en, fr, es, pt.

All are written plainly: small letters, no accents. A heading is taken for the column whose words it
shares most of; what shares none is left to a person.
"""

from __future__ import annotations

import re
import unicodedata

#: ``table.column`` to names in use; "child.id" is the child's number.
HEADINGS: dict[str, tuple[str, ...]] = {
    "child.id": (
        "child id", "child no", "child number", "patient id", "patient no", "patient number", "id",
        "reg no", "registration no", "registration number", "file no", "file number", "dossier",
        "no dossier", "numero dossier", "numero de dossier", "matricule", "expediente",
        "numero de expediente", "historia clinica", "prontuario", "numero do prontuario",
        "registro", "code enfant", "case no", "study id",
    ),
    "children.clinic": ("centre", "center", "hopital", "centro", "hospital"),
    "visits.clinic": ("clinic", "clinique", "clinica", "site", "facility", "clinic name"),
    "children.sex": ("sex", "gender", "sexe", "sexo", "genero", "genre"),
    "children.birth_on": (
        "date of birth", "birth date", "dob", "born", "date de naissance", "naissance",
        "fecha de nacimiento", "nacimiento", "data de nascimento", "nascimento",
    ),
    "children.age": ("age", "age at first visit", "edad", "idade", "age a l inscription"),
    "children.enrolled_on": (
        "registered", "registration date", "enrolled", "enrolment date", "date of registration",
        "inscription", "date d inscription", "fecha de ingreso", "fecha de inscripcion",
        "data de inscricao", "data de admissao", "first visit date",
    ),
    "children.diagnosis": (
        "diagnosis", "aetiology", "etiology", "cause", "diagnostic", "etiologie", "diagnostico",
        "etiologia",
    ),
    "children.prior_treatment": (
        "previous treatment", "prior treatment", "treated before", "traitement anterieur",
        "tratamiento previo", "tratamento previo", "tratamento anterior",
    ),
    "children.family_history": (
        "family history", "antecedents familiaux", "antecedentes familiares",
        "historia familiar",
    ),
    "children.travel_minutes": (
        "travel minutes", "travel time", "trajet", "trajet min", "temps de trajet",
        "tiempo de viaje", "tempo de viagem",
    ),
    "feet.atypical": ("atypical", "complex foot", "atypique", "atipico"),
    "side": (
        "side", "foot", "affected side", "affected foot", "laterality", "cote", "pied",
        "cote atteint", "lateralite", "lado", "pie", "pe", "lado afectado", "lado afetado",
        "lateralidad", "lateralidade",
    ),
    "visits.visited_on": (
        "visit date", "date of visit", "date", "date de visite", "date de consultation",
        "fecha de visita", "fecha", "data da visita", "data", "data da consulta",
    ),
    "visits.purpose": (
        "visit type", "type of visit", "purpose", "reason for visit", "type de visite", "motif",
        "tipo de visita", "motivo", "tipo de consulta",
    ),
    "visits.cast_number": (
        "cast no", "cast number", "number of cast", "numero de platre", "no platre",
        "numero de yeso", "numero do gesso",
    ),
    "visits.curved_lateral_border": (
        "curved lateral border", "lateral border", "bord lateral", "borde lateral",
        "borda lateral",
    ),
    "visits.medial_crease": ("medial crease", "pli medial", "pliegue medial", "prega medial"),
    "visits.talar_head": (
        "talar head", "head of talus", "tete du talus", "cabeza del astragalo",
        "cabeca do talus",
    ),
    "visits.posterior_crease": (
        "posterior crease", "pli posterieur", "pliegue posterior", "prega posterior",
    ),
    "visits.empty_heel": ("empty heel", "talon vide", "talon vacio", "calcanhar vazio"),
    "visits.rigid_equinus": (
        "rigid equinus", "equin rigide", "equino rigido",
    ),
    "visits.pirani_midfoot": (
        "midfoot", "midfoot score", "pirani midfoot", "medio pied", "mediopie", "mediope",
    ),
    "visits.pirani_hindfoot": (
        "hindfoot", "hindfoot score", "pirani hindfoot", "arriere pied", "retropie", "retrope",
    ),
    "visits.pirani_total": (
        "pirani", "pirani score", "pirani total", "total pirani", "score pirani",
        "puntaje pirani", "escore pirani",
    ),
    "visits.dimeglio_total": ("dimeglio", "dimeglio score", "score dimeglio", "dimeglio total"),
    "visits.abduction_deg": ("abduction", "abduccion", "abducao"),
    "visits.dorsiflexion_deg": (
        "dorsiflexion", "flexion dorsale", "dorsiflexao", "flexion dorsal",
    ),
    "visits.brace_hours": (
        "brace hours", "hours of brace", "heures", "heures d attelle", "horas",
        "horas de ferula", "horas de ortese",
    ),
    "visits.brace_use": (
        "brace use", "brace wear", "compliance", "adherence", "port", "port de l attelle",
        "uso de ferula", "uso da ortese", "adherencia", "adesao",
    ),
    "visits.relapse_noted": ("relapse", "recurrence", "recidive", "recidiva", "recaida"),
    "visits.relapse_equinus": ("rel equinus", "relapse equinus", "rec equin", "recidive equin"),
    "visits.relapse_varus": ("rel varus", "relapse varus", "rec varus", "recidive varus"),
    "visits.relapse_adductus": (
        "rel adductus", "relapse adductus", "rec adductus", "recidive adductus",
    ),
    "visits.relapse_cavus": ("rel cavus", "relapse cavus", "rec cavus", "recidive cavus"),
    "visits.complication": (
        "complication", "complications", "compl", "complicacion", "complicacao",
    ),
    "visits.procedure": (
        "procedure", "operation", "surgery", "intervention", "nature", "procedimiento",
        "cirugia", "procedimento", "cirurgia",
    ),
    "visits.corrected_noted": ("corrected", "corrige", "corregido", "corrigido"),
    "visits.cast_replaced": (
        "cast replaced", "replaced", "remplace", "reemplazado", "substituido",
    ),
    "visits.pain": ("pain", "douleur", "dolor", "dor"),
    "visits.plantigrade": ("plantigrade", "flat foot", "pied a plat", "plantigrado"),
    "visits.ordinary_shoe": (
        "ordinary shoe", "normal shoes", "chaussure ordinaire", "zapato normal",
        "sapato normal",
    ),
    "visits.caregiver_satisfied": (
        "satisfied", "caregiver satisfied", "famille satisfaite", "satisfecho", "satisfeito",
    ),
    "departures.left_on": (
        "exit date", "date of exit", "end of care", "care ended", "date de sortie",
        "fecha de salida", "fecha de egreso", "data de saida", "data da alta",
    ),
    "departures.why": (
        "exit reason", "reason for exit", "reason", "reason for leaving", "outcome",
        "motif de sortie", "motivo de salida",
        "motivo de egreso", "motivo de saida", "motivo da alta",
    ),
}  # fmt: skip

#: Free text that is read by people alone.
NOTES = (
    "remarks",
    "remark",
    "comments",
    "comment",
    "notes",
    "observations",
    "remarques",
    "observaciones",
    "observacoes",
    "entered by",
    "saisi par",
)

#: Vocabulary to canonical code to names in use.
CODES: dict[str, dict[str, tuple[str, ...]]] = {
    "side": {
        "left": ("left", "l", "lt", "gauche", "g", "izquierdo", "izquierda", "i", "izq",
                 "esquerdo", "esquerda", "e"),
        "right": ("right", "r", "rt", "droit", "droite", "d", "derecho", "derecha", "der",
                  "direito", "direita"),
        "both": ("both", "b", "bilateral", "gd", "lr", "les deux", "ambos", "di", "de"),
    },
    "sex": {
        "female": ("female", "f", "girl", "fille", "feminin", "femenino", "nina", "feminino",
                   "menina", "mujer"),
        "male": ("male", "m", "boy", "garcon", "g", "masculin", "masculino", "nino", "menino",
                 "hombre"),
    },
    "yes_no": {
        "yes": ("yes", "y", "oui", "o", "si", "s", "sim", "true", "1"),
        "no": ("no", "n", "non", "nao", "false", "0"),
    },
    "diagnosis": {
        "idiopathic": ("idiopathic", "idiopathique", "idiopatico"),
        "syndromic": ("syndromic", "syndrome", "syndromique", "sindromico"),
        "neurogenic": ("neurogenic", "neuro", "neurologique", "neurogenico", "spina bifida"),
        "unknown": ("unknown", "not known", "inconnu", "inconnue", "desconocido",
                    "desconhecido"),
    },
    "prior_treatment": {
        "none": ("none", "no", "aucun", "ninguno", "nenhum", "non", "nao"),
        "casts": ("cast", "casts", "platre", "platres", "yeso", "yesos", "gesso", "gessos"),
        "tenotomy": ("tenotomy", "tenotomie", "tenotomia"),
        "surgery": ("surgery", "chirurgie", "cirugia", "cirurgia"),
        "unknown": ("unknown", "not known", "inconnu", "desconocido", "desconhecido"),
    },
    "purpose": {
        "assessment": ("assessment", "assess", "first visit", "initial", "bilan", "evaluation",
                       "evaluacion", "avaliacao"),
        "cast": ("cast", "casting", "cast change", "platre", "reprise platre", "recast", "yeso",
                 "gesso"),
        "tenotomy": ("tenotomy", "tenot", "tenotomie", "tenotomia"),
        "brace_fitting": ("brace fitting", "brace given", "fit", "pose attelle", "attelle",
                          "attelle reprise",
                          "entrega de ferula", "colocacion de ferula", "entrega de ortese"),
        "brace_review": ("brace review", "brace", "brace check", "controle", "controle attelle",
                         "controle final",
                         "control", "control de ferula", "controle de ortese"),
        "procedure": ("procedure", "operation", "surgery", "op", "chirurgie", "cirugia",
                      "cirurgia"),
        "review": ("review", "follow up", "suivi", "revue", "revision", "seguimiento",
                   "revisao", "acompanhamento"),
    },
    "procedure": {
        "tenotomy": ("tenotomy", "repeat tenotomy", "tenotomie", "tenotomia"),
        "tendon_transfer": ("tendon transfer", "transfer", "transfert", "transferencia"),
        "posteromedial_release": ("posteromedial release", "pmr", "liberation",
                                  "liberacion", "liberacao"),
    },
    "brace_use": {
        "as_advised": ("good", "as advised", "bon", "buena", "bueno", "bom", "boa"),
        "partly": ("partly", "some", "fair", "partiel", "parcial", "regular"),
        "not": ("none", "poor", "nul", "nula", "mauvais", "mala", "ma"),
    },
    "complication": {
        "none": ("none", "no", "0", "aucune", "ninguna", "nenhuma"),
        "cast_slippage": ("slip", "slippage", "cast slippage", "glissement", "deslizamiento",
                          "deslizamento"),
        "skin_lesion": ("skin", "sore", "peau", "piel", "pele", "escara"),
        "swelling": ("swelling", "oedeme", "edema"),
        "bleeding": ("bleed", "bleeding", "saignement", "sangrado", "sangramento"),
    },
    "departure": {
        "completed": ("completed", "termine", "completado", "concluido", "alta"),
        "moved_away": ("moved", "moved away", "demenagement", "mudanza", "mudanca"),
        "died": ("died", "death", "deces", "decede", "fallecido", "obito", "muerte"),
        "declined": ("declined", "refused", "refus", "rechazo", "recusa"),
    },
}  # fmt: skip

#: Texts that usually mean missing.
MISSING = (
    "", "na", "n/a", "nd", "nr", "-", ".", "?", "none recorded", "not recorded", "null", "s/d",
)  # fmt: skip


def plain_words(text: object) -> str:
    """Return a text in small letters without accents and marks."""
    bare = "".join(
        c for c in unicodedata.normalize("NFD", str(text)) if not unicodedata.combining(c)
    )
    return re.sub(r"[^a-z0-9{}]+", " ", bare.casefold()).strip()
