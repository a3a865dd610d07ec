"""Alerts: who hears of what, when and how. An alert is no safety system."""
