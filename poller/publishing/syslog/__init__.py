"""Syslog: RFC 5424 over TLS or UDP."""
