"""The journal for people: as rows, and an incident from its cause to its end; on the terminal and on the page."""
