"""Laws that compiled code takes in whole, and nobody else runs: where the time of compiling went (see `jit`).

To numba every function is a library of its own: with all that it calls in it, it is improved to the end and turned into
machine code before its caller takes it in and does all of that once more. The code of an inner library is tidied up
and no more; what takes it in improves the whole at once.

Built on the inside of numba, so imported only with the versions that it is known of (`jit.TRIED`).
"""

import functools
from typing import Any

from numba.core.caching import CompileResultCacheImpl
from numba.core.codegen import JITCodeLibrary, ll
from numba.core.compiler import Compiler, CompileResult

Kept = tuple[str, bool, frozenset[str], frozenset[str], bytes]


def _held(library: Any) -> int:
    return len(library.holds) if isinstance(library, InnerLibrary) else 0


@functools.cache
def _tidying(codegen: Any) -> tuple[Any, Any]:
    """Numba's passes over one function, made once: to make them takes longer than most laws."""
    return codegen._function_pass_manager()


class _NoMachine:
    """Stands for numba's machine, which is told where the environment of a function is: here there is none."""

    def set_env(self, name: str, environment: Any) -> None:
        """Nothing: compiled code needs no environment."""


class InnerLibrary(JITCodeLibrary):
    """Code of a function that is never turned into machine code by itself."""

    @property
    def codegen(self) -> Any:
        """What numba tells that the code can be run."""
        return _NoMachine()

    counts = False  # who uses an array: what does not, must make none, for nobody would free it
    own: frozenset[str] = frozenset()  # names of its functions, and
    holds: frozenset[str] = frozenset()  # with those that it calls

    def _optimize_functions(self, ll_module: Any) -> None:
        ll_module.data_layout = self._codegen._data_layout
        passes, builder = _tidying(self._codegen)
        for function in ll_module.functions:
            if not function.is_declaration:
                self.own |= {function.name} if function.linkage == ll.Linkage.external else set()
                passes.run(function, builder)

    def finalize(self) -> None:
        """Take in what is called, all of it once: the largest first, which hold what others are."""
        self._raise_if_finalized()
        self.holds = self.own
        for library in sorted(dict.fromkeys(self._linking_libraries), key=_held, reverse=True):
            self._reload_init.update(library._reload_init)
            if not (isinstance(library, InnerLibrary) and library.own <= self.holds):
                self._final_module.link_in(library._get_module_for_linking(), preserve=True)
                self.holds |= library.holds if isinstance(library, InnerLibrary) else frozenset()
        for name in self.own:  # for several that take it in to be taken in together
            self._final_module.get_function(name).linkage = "linkonce_odr"
        self._finalize_final_module()

    def _finalize_final_module(self) -> None:
        if not self.counts and any(f.name.startswith("NRT_") for f in self._final_module.functions):
            raise TypeError(f"{self.name} makes arrays, so it is no law but a routine.")
        self._finalize_dynamic_globals()
        self._shared_module, self._finalized = self._final_module, True

    def get_pointer_to_function(self, name: str) -> int:
        """None: nothing can be run."""
        self._ensure_finalized()
        return 0

    def serialize_using_object_code(self) -> Kept:
        """What is kept: no object, but the code to be taken in."""
        self._ensure_finalized()
        return self.name, self.counts, self.own, self.holds, self._final_module.as_bitcode()

    @classmethod
    def unserialize(cls, codegen: Any, kept: Kept) -> "InnerLibrary":
        """The library that was kept."""
        name, counts, own, holds, code = kept
        made = cls(codegen, name)
        made.counts, made.own, made.holds = counts, own, holds
        made._final_module = ll.parse_bitcode(code)
        made._finalize_final_module()
        return made


class InnerCompiler(Compiler):
    """Numba's compiler, into an inner library."""

    def define_pipelines(self) -> list:
        """Numba's own, which put their code in the library that is there."""
        self.state.library = InnerLibrary(self.state.targetctx.codegen(), self.state.func_id.func_qualname)
        self.state.library.counts = self.state.flags.nrt
        return super().define_pipelines()


class _Target:
    """Numba's target, but that code that was kept becomes an inner library."""

    def __init__(self, target: Any):
        self._target = target

    def codegen(self) -> "_Target":
        """Itself."""
        return self

    def unserialize_library(self, kept: Kept) -> InnerLibrary:
        """The library that was kept."""
        return InnerLibrary.unserialize(self._target.codegen(), kept)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._target, name)


class InnerCode(CompileResultCacheImpl):
    """How the code of a law is kept."""

    def rebuild(self, target_context: Any, payload: tuple) -> CompileResult:
        """What was kept, with the environment of nobody."""
        *kept, _environments = payload
        rebuild: Any = CompileResult._rebuild
        return rebuild(_Target(target_context), *kept, ())._replace(target_context=target_context)
