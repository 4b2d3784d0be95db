"""Prefect's order of events in a hurry: it waits 5 s, not 15 min, for an event it missed."""

from __future__ import annotations

import datetime as dt

from prefect.server.events.ordering import memory

memory.PRECEDING_EVENT_LOOKBACK = dt.timedelta(seconds=5)
CausalOrdering = memory.CausalOrdering
