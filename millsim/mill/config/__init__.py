"""The mill file: its keys, their contradictions, the dataclasses they become."""
