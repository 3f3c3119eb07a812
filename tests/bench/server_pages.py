"""Addresses of what the server says of itself: no plant is needed to ask for them."""

SERVER_ADDRESSES = {
    "Health": "/health",
    "API: standing": "/api/v1/health/standing",
    "API: metrics": "/api/v1/health/metrics",
    "Audit trail": "/audit",
    "Audit trail: a word": "/audit?words=import",
    "Audit trail, csv": "/audit.csv",
    "Audit trail, lines": "/audit.jsonl",
    "Audit record": "/audit/1",
    "API: audit trail": "/api/v1/audit",
    "API: tokens": "/api/v1/tokens",
    "API: calls": "/api/v1/",
    "API: description": "/api/v1/openapi.json",
    "API: ready": "/api/v1/health/ready",
    "API: live": "/api/v1/health/live",
}
