"""Rules of GS1 EPCIS 2.0 and CBV 2.0 for the events that we write, as JSON Schema of our own.

Written out from the standard: sections on the core event types and their JSON binding, and the
CBV's lists of business steps and dispositions. Stricter than the standard where we are: every
event has an id, a step, a disposition and places; every quantity a number.
"""

from typing import Any

import jsonschema_rs

BIZ_STEPS = (
    *("accepting", "arriving", "assembling", "collecting", "commissioning", "consigning"),
    *("creating_class_instance", "cycle_counting", "decommissioning", "departing", "destroying"),
    *("disassembling", "dispensing", "encoding", "entering_exiting", "holding", "inspecting"),
    *("installing", "killing", "loading", "other", "packing", "picking", "receiving", "removing"),
    *("repackaging", "repairing", "replacing", "reserving", "retail_selling", "sampling"),
    *("sensor_reporting", "shipping", "staging_outbound", "stock_taking", "stocking", "storing"),
    *("transporting", "unloading", "unpacking", "void_shipping"),
)
DISPOSITIONS = (
    *("active", "available", "completeness_inferred", "completeness_verified", "conformant"),
    *("container_closed", "container_open", "damaged", "destroyed", "dispensed", "disposed"),
    *("encoded", "expired", "in_progress", "in_transit", "inactive", "mismatch_class"),
    *("mismatch_instance", "mismatch_quantity", "needs_replacement", "no_pedigree_match"),
    *("non_conformant", "non_sellable_other", "partially_dispensed", "recalled", "reserved"),
    *("retail_sold", "returned", "sellable_accessible", "sellable_not_accessible", "stolen"),
    *("unavailable", "unknown"),
)
_URI = {"type": "string", "format": "uri", "pattern": "^[A-Za-z][A-Za-z0-9+.-]*:[^ ]+$"}
_PLACE = {
    "type": "object",
    "properties": {"id": _URI},
    "required": ["id"],
    "additionalProperties": False,
}
_QUANTITIES = {
    "type": "array",
    "minItems": 1,
    "items": {
        "type": "object",
        "properties": {
            "epcClass": _URI,
            "quantity": {"type": "number", "exclusiveMinimum": 0},
            "uom": {"type": "string", "pattern": "^[A-Z0-9]{2,3}$"},
        },
        "required": ["epcClass", "quantity"],
        "additionalProperties": False,
    },
}
_EPCS = {"type": "array", "minItems": 1, "uniqueItems": True, "items": _URI}
_COMMON: dict[str, Any] = {
    "eventID": _URI,
    "eventTime": {
        "type": "string",
        "format": "date-time",
        "pattern": "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:.]+(Z|[+-][0-9]{2}:[0-9]{2})$",
    },
    "eventTimeZoneOffset": {
        "type": "string",
        "pattern": "^[+-]((0[0-9]|1[0-3]):[0-5][0-9]|14:00)$",
    },
    "bizStep": {"enum": list(BIZ_STEPS)},
    "disposition": {"enum": list(DISPOSITIONS)},
    "readPoint": _PLACE,
    "bizLocation": _PLACE,
}
_ACTION = {"enum": ["ADD", "OBSERVE", "DELETE"]}


def _event(kind: str, own: dict[str, Any], required: list[str]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {"type": {"const": kind}, **_COMMON, **own},
        # What the standard has no word for stands under a prefix that the context explains.
        "patternProperties": {"^plant:[a-z]+$": {"type": "integer", "minimum": 0}},
        "additionalProperties": False,
        "required": ["type", *_COMMON, *required],
    }


DOCUMENT: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "properties": {
        "@context": {
            "type": "array",
            "prefixItems": [
                {"const": "https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld"},
                {
                    "type": "object",
                    "properties": {"plant": _URI},
                    "required": ["plant"],
                    "additionalProperties": False,
                },
            ],
            "minItems": 2,
            "items": False,
        },
        "type": {"const": "EPCISDocument"},
        "schemaVersion": {"const": "2.0"},
        "creationDate": {"type": "string", "format": "date-time"},
        "epcisBody": {
            "type": "object",
            "properties": {
                "eventList": {
                    "type": "array",
                    "items": {
                        "oneOf": [
                            _event(
                                "ObjectEvent",
                                {"action": _ACTION, "epcList": _EPCS},
                                ["action", "epcList"],
                            ),
                            _event(
                                "AggregationEvent",
                                {
                                    "action": _ACTION,
                                    "parentID": _URI,
                                    "childQuantityList": _QUANTITIES,
                                },
                                ["action", "parentID", "childQuantityList"],
                            ),
                            _event(
                                "TransformationEvent",
                                {"inputEPCList": _EPCS, "outputQuantityList": _QUANTITIES},
                                ["inputEPCList", "outputQuantityList"],
                            ),
                        ]
                    },
                }
            },
            "required": ["eventList"],
            "additionalProperties": False,
        },
    },
    "required": ["@context", "type", "schemaVersion", "creationDate", "epcisBody"],
    "additionalProperties": False,
}
_VALIDATOR = jsonschema_rs.validator_for(DOCUMENT, validate_formats=True)


def faults(document: dict[str, Any]) -> list[str]:
    """What a document has against the rules; empty where nothing."""
    return [str(one) for one in _VALIDATOR.iter_errors(document)]
