"""Runs of a study: specs, cost, resources, reuse of results, provenance, the station itself."""
