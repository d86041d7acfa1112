"""What the open standards define: J1939, OBD-II, UDS, transport, trouble codes, identity."""
