"""How an account draws water: flow bands, peaks, low flow, sufficiency."""
