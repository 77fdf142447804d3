"""The local page: drag, look, search, print; nothing leaves this machine.

``server`` starts it, ``session`` holds what one browser tab works on, ``jobs`` runs long work in a
process of its own, and each tab of the page is a file named for it.
"""
