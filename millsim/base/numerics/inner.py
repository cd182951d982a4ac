"""Laws that compiled code takes in whole, and nobody else runs: where the time of compiling went (see `jit`).

To numba every function is a library of its own: with all that it calls in it, it is improved to the end and turned into
machine code before its caller takes it in and does all of that once more. The code of an inner library is tidied up
and no more; what takes it in improves the whole at once.
"""

import functools
from typing import Any

from numba.core.caching import CompileResultCacheImpl
from numba.core.codegen import JITCodeLibrary, ll
from numba.core.compiler import Compiler, CompileResult


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

    def _optimize_functions(self, ll_module: Any) -> None:
        ll_module.data_layout = self._codegen._data_layout
        passes, builder = _tidying(self._codegen)
        for function in ll_module.functions:
            if not function.is_declaration:
                passes.run(function, builder)

    def _optimize_final_module(self) -> None:
        pass

    def _finalize_final_module(self) -> None:
        if not self.counts and any(f.name.startswith("NRT_") for f in self._final_module.functions):
            raise TypeError(f"{self.name} makes arrays, so it is no law but a routine.")
        self._finalize_dynamic_globals()
        self._finalized = True

    def get_pointer_to_function(self, name: str) -> int:
        """None: nothing can be run."""
        self._ensure_finalized()
        return 0

    def serialize_using_object_code(self) -> tuple[str, bool, bytes]:
        """What is kept: no object, but the code to be taken in."""
        return self.name, self.counts, self._get_module_for_linking().as_bitcode()

    @classmethod
    def unserialize(cls, codegen: Any, kept: tuple[str, bool, bytes]) -> "InnerLibrary":
        """The library that was kept."""
        name, counts, code = kept
        made = cls(codegen, name)
        made.counts = counts
        made._final_module = made._shared_module = ll.parse_bitcode(code)
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

    def unserialize_library(self, kept: tuple[str, bool, bytes]) -> InnerLibrary:
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
