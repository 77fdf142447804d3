"""The local page: drag, look, search, print; nothing leaves this machine."""
