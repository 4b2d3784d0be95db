"""A seeded demo utility: simulated flows, the meters on them, and the exports of a head-end."""

from pipelines.demo.write import DemoSummary, write_demo

__all__ = ["DemoSummary", "write_demo"]
