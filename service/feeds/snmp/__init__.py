"""What SNMP agents say, read without a socket: teams from standard tables, samples from counters."""
