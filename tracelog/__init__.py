"""tracelog: production traceability and troubleshooting for two-piece can plants."""
