"""From a flow log to joint samples: what was logged, and what the year holds beside it."""
