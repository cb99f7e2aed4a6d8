"""Asking SNMP agents: sessions, time-outs, tries; what the answers mean is for others."""
