"""Compiled functions that are made, or read from the cache, when they are first called: a program loads what it uses."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import numba as nb
from numba.core.runtime.nrt import rtsys

from deskhand.dsp.compiling import wait_for_helper

if TYPE_CHECKING:
    from collections.abc import Callable

Function = TypeVar("Function", bound="Callable[..., Any]")
_LOCK: Final = threading.RLock()
"""Held while a kernel is made: those that it calls are made within."""


def kernel(*signatures: str, fastmath: bool = False) -> Callable[[Function], Function]:
    """Compile a function for these types alone, without the interpreter's lock, once it is called.

    `numba.njit` with types compiles, or loads, at once; without types it compiles anew for whatever it is given. A kernel that
    others call is compiled as part of them and loaded with them.

    Parameters
    ----------
    signatures : str
        Types of the result and the arguments, as numba writes them.
    fastmath : bool
        True where sums may be taken in another order: for nothing that is measured.
    """

    def compiled(function: Function) -> Function:
        # no version for callers in C is made: there are none
        options: dict[str, Any] = {"cache": True, "nogil": True, "fastmath": fastmath, "no_cfunc_wrapper": True}
        dispatcher: Any = nb.njit(**options)(function)
        template = dispatcher.get_call_template
        cache = dispatcher._cache  # noqa: SLF001 - as below

        def load_overload(signature: Any, target: Any) -> Any:
            """Read a version from the cache. numba loads the rules of all that it can compile first, some tenths of a second: what is compiled needs none."""
            rtsys.initialize(target)
            with cache._guard_against_spurious_io_errors():  # noqa: SLF001
                return cache._load_overload(signature, target)  # noqa: SLF001

        def prepare() -> None:
            with _LOCK:
                if not dispatcher.overloads:  # no other thread was here before
                    wait_for_helper(f"{function.__module__}:{function.__name__}")
                    for signature in signatures:
                        dispatcher.compile(signature)

        def unknown_types(*args: Any, **_named: Any) -> Any:
            """Called by numba where no version fits; it calls what this returns with the arguments."""
            prepare()
            if tuple(map(nb.typeof, args)) not in dispatcher.overloads:
                # numbers are converted from now on, an integer to a double; nothing is compiled for them
                dispatcher.disable_compile()
            return dispatcher

        def first_use(args: Any, named: Any) -> Any:
            prepare()
            return template(args, named)

        dispatcher.prepare, cache.load_overload = prepare, load_overload
        dispatcher._compile_for_args, dispatcher.get_call_template = unknown_types, first_use  # noqa: SLF001 - where numba compiles
        return cast("Function", dispatcher)

    return compiled
