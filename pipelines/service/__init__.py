"""The Prefect service: flows, deployments, its own server, alerts."""
