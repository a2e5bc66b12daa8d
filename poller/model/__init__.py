"""Values everybody speaks in: nameplate, version, status, events, problems, limits."""
