"""Deciding: from measures to kinds, findings and severities."""
