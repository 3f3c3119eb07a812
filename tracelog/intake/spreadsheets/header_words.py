"""Words by which plants head the columns of their sheets: English, Spanish and Portuguese.

Common practice and plain translation, no source; only for guessing, which people look through.
Accents are left out and capitals do not count. A header means our column if it is one of these,
or holds one as whole words.
"""

from collections.abc import Mapping
from types import MappingProxyType

WORDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "seen_at": (
            *("seen at", "seen", "found", "date", "datetime", "date time", "when", "timestamp"),
            *("fecha", "fecha hora", "fecha y hora", "dia", "data", "data hora", "data e hora"),
        ),
        "made_at": (
            "made at",
            "made",
            "produced",
            "fabricado",
            "fecha de fabricacion",
            "produzido",
        ),
        "dome_code": (
            *("dome code", "dome", "code", "can code", "line machine", "machine", "bodymaker no"),
            *("codigo", "codigo domo", "domo", "codigo do domo", "maquina", "maq"),
        ),
        "defect": (
            *("defect", "fault", "failure", "problem", "defect type", "reason"),
            *(
                "defecto",
                "falla",
                "fallo",
                "tipo de defecto",
                "defeito",
                "falha",
                "tipo de defeito",
            ),
        ),
        "cans": (
            *("cans", "bad cans", "qty", "quantity", "count", "pcs", "pieces", "number of cans"),
            *("latas", "cantidad", "cant", "latas malas", "quantidade", "qtd", "latas ruins"),
        ),
        "occurrences": ("occurrences", "happenings", "events", "veces", "eventos", "vezes"),
        "inspected": (
            *("inspected", "sample", "sample size", "checked", "inspeccionadas", "muestra"),
            *("inspecionadas", "amostra", "tamano de muestra", "tamanho da amostra"),
        ),
        "found_at": (
            *("found at", "place", "station", "where", "location", "area", "detected at"),
            *("lugar", "estacion", "donde", "local", "estacao", "onde", "encontrado en"),
        ),
        "mark": ("mark", "mandrel", "pocket", "ink dot", "mandril", "marca", "bolsillo", "bolso"),
        "note": (
            *("note", "notes", "remark", "remarks", "comment", "comments", "observation"),
            *("nota", "notas", "comentario", "comentarios", "observaciones", "observacao", "obs"),
        ),
        "notes": ("notes", "remarks", "notas", "observaciones", "observacoes"),
        "logged_by": (
            *("logged by", "operator", "by", "name", "inspector", "initials", "who"),
            *("operador", "operario", "quien", "inspetor", "quem", "registrado por"),
        ),
        "logged_at": ("logged at", "entered at", "registered", "registrado", "registrado em"),
        "line": ("line", "line no", "ln", "linea", "linha", "line number", "production line"),
        "bodymaker": (
            *("bodymaker", "bm", "body maker", "bodymaker no", "machine", "mc", "machine no"),
            *("maquina", "formadora", "maq", "cuerpo", "bm no", "bodymaker number"),
        ),
        "number": ("number", "no", "machine no", "numero", "num", "machine", "maquina"),
        "station": ("station", "estacion", "estacao", "type", "area"),
        "name": ("name", "nombre", "nome", "description", "descripcion", "descricao"),
        "read_at": ("read at", "date", "fecha", "data", "when", "timestamp", "fecha hora"),
        "strokes": ("strokes", "counter", "reading", "contador", "golpes", "lectura", "leitura"),
        "done_at": ("done at", "done", "date", "fecha", "data", "service date", "when"),
        "service": ("service", "level", "job", "work", "pm", "servicio", "servico", "trabajo"),
        "unplanned": ("unplanned", "breakdown", "no planificado", "averia", "nao planejado"),
        "serial": (
            "serial",
            "serial no",
            "serial number",
            "tool",
            "tool no",
            "serie",
            "ferramenta",
        ),
        "tool_type": ("tool type", "type", "tipo", "tipo de herramienta", "tipo de ferramenta"),
        "life_strokes": ("life", "expected life", "vida", "vida util", "life strokes"),
        "position": ("position", "pos", "posicion", "posicao", "place"),
        "fitted_at": ("fitted at", "fitted", "installed", "in", "date in", "montado", "instalado"),
        "removed_at": ("removed at", "removed", "out", "date out", "desmontado", "retirado"),
        "removal_reason": ("removal reason", "reason", "why", "motivo", "causa", "razon"),
        "coil": ("coil", "coil no", "coil number", "bobina", "rollo"),
        "alloy": ("alloy", "aleacion", "liga"),
        "gauge_mm": ("gauge", "thickness", "gauge mm", "espesor", "espessura"),
        "started_at": ("started at", "start", "from", "begin", "inicio", "desde", "de"),
        "ended_at": ("ended at", "end", "to", "until", "fin", "hasta", "fim", "ate"),
        "pallet": ("pallet", "pallet no", "pallet number", "tag", "tarima", "palete", "palet"),
        "status": ("status", "state", "estado", "situacao"),
        "at": ("at", "date", "when", "fecha", "data"),
        "kind": ("kind", "change", "what", "cambio", "tipo", "mudanca"),
        "event": ("event", "evento"),
        "strokes_after": ("strokes after", "figure after", "despues", "depois"),
        "characteristic": (
            *("characteristic", "measured", "dimension", "caracteristica", "medida", "cota"),
        ),
        "unit": ("unit", "units", "unidad", "unidade"),
        "value": ("value", "figure", "result", "valor", "medicion", "resultado"),
        "measured_at": ("measured at", "date", "fecha", "data", "when"),
        "subgroup": ("subgroup", "group", "sample", "subgrupo", "grupo", "muestra"),
        "counter_max": ("counter max", "last figure", "rollover", "maximo contador"),
        "rated_spm": ("rated spm", "spm", "strokes a minute", "speed", "velocidad", "velocidade"),
        "interval_strokes": ("interval strokes", "every strokes", "intervalo golpes"),
        "interval_days": ("interval days", "every days", "intervalo dias"),
        "hours": ("hours", "duration", "horas", "duracion"),
        "people": ("people", "crew size", "personas", "pessoas"),
        "severity": ("severity", "gravedad", "gravidade"),
        "work": ("work", "job", "trabajo", "trabalho"),
        "size_mm": ("size", "bore", "diameter", "diametro", "medida"),
    }
)
# Columns that hold the time of day beside a date, and the bodymaker beside a line.
TIMES = ("time", "hour", "hora", "hh mm", "time of day")
BODYMAKERS = WORDS["bodymaker"]
