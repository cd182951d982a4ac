"""A property that is worked out when it is first asked for."""

from functools import cached_property
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    once = cached_property
else:

    class once:
        """functools.cached_property without the lock that it has before Python 3.12, which costs as much as a law."""

        def __init__(self, function):
            self.function, self.name, self.__doc__ = function, function.__name__, function.__doc__

        def __get__(self, instance, owner=None):
            if instance is None:
                return self
            value = instance.__dict__[self.name] = self.function(instance)
            return value
