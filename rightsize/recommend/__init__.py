"""Recommendations: which meter to install, its benefit, and what to do first."""
