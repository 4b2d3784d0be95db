"""How results are built aside, verified, and put before readers."""
