"""One thin module a command: arguments in, a call of one room, text or JSON out."""
