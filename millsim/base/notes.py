"""Notes for people, said once: on stderr, or by logging wherever a program that uses millsim wants them."""

import functools
import logging
import multiprocessing


@functools.cache
def say(text: str) -> None:
    """Tell something once; worker processes leave it to the one that started them."""
    if multiprocessing.parent_process() is None:
        logging.getLogger("millsim").warning("Note: %s", text)
