"""How compiled code reads packed tuples (`packed`) by their addresses.

A handle is a plain pointer to a copy of the tuple on the stack of the caller, its fields as they stand. Nobody counts
who holds it or the arrays in it, which took a third of the time of a run; whoever calls the entry keeps them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any

from bronzeward.growth.packed import WORD, annotated


@cache
def handle_type() -> Any:
    """The type of handles, made known to numba: `handle_type()(Work)` is that of a work space."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.core.datamodel import models
    from numba.core.typing.templates import AttributeTemplate, infer_getattr
    from numba.extending import lower_getattr_generic, register_model

    numbers = {"int": types.int64, "float": types.float64}
    arrays = {"Counts": types.Array(types.int64, 1, "C"), "Numbers": types.Array(types.float64, 1, "C")}

    class Handle(types.Type):
        def __init__(self, tuple_kind: Any) -> None:
            told = zip(tuple_kind._fields, annotated(tuple_kind), strict=True)
            self.held = {name: (numbers | arrays)[annotation] for name, annotation in told}
            super().__init__(name=f"Handle({tuple_kind.__name__})")

        def layout(self, context: Any) -> Any:
            return ir.LiteralStructType([context.get_value_type(kind) for kind in self.held.values()])

    @register_model(Handle)
    class HandleModel(models.PrimitiveModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, ir.PointerType(ir.IntType(8)))

    @infer_getattr
    class HandleAttributes(AttributeTemplate):
        key = Handle

        def generic_resolve(self, kind: Any, name: str) -> Any:  # type: ignore[override]
            return kind.held.get(name)

    @lower_getattr_generic(Handle)  # type: ignore[untyped-decorator]
    def read(context: Any, builder: Any, kind: Any, pointer: Any, name: str) -> Any:
        held = builder.bitcast(pointer, ir.PointerType(kind.layout(context)))
        return builder.load(cgutils.gep_inbounds(builder, held, 0, list(kind.held).index(name)))

    return Handle


def handle_at(tuple_kind: Any) -> Any:
    """A function of compiled code: the handle of the packed tuple at an address."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.extending import intrinsic
    from numba.np.arrayobj import populate_array

    kind = handle_type()(tuple_kind)

    def view(context: Any, builder: Any, part: Any, read: Callable[[Any], Any]) -> Any:
        """An array whose address and length stand in two words."""
        array, width = context.make_array(part)(context, builder), context.get_constant(types.intp, WORD)
        pointer, size = read(ir.PointerType(context.get_data_type(part.dtype))), read(ir.IntType(8 * WORD))
        populate_array(array, pointer, [size], [width], width, None)
        return array._getvalue()

    @intrinsic
    def handle(_context: Any, address: Any) -> Any:
        def code(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            place = cgutils.alloca_once(builder, kind.layout(context))
            read = reader(builder, arguments[0])
            for k, part in enumerate(kind.held.values()):
                is_array = isinstance(part, types.Array)
                value = view(context, builder, part, read) if is_array else read(context.get_value_type(part))
                builder.store(value, cgutils.gep_inbounds(builder, place, 0, k))
            return builder.bitcast(place, ir.PointerType(ir.IntType(8)))

        return kind(address), code

    return handle


def reader(builder: Any, address: Any) -> Callable[[Any], Any]:
    """While code is made: what reads one word after the other from an address, each as a number or pointer."""
    from llvmlite import ir

    at = 0

    def read(kind: Any) -> Any:
        nonlocal at
        place = builder.add(address, ir.Constant(address.type, at * WORD))
        at += 1
        return builder.load(builder.inttoptr(place, ir.PointerType(kind)))

    return read


@cache
def word_and_empty() -> tuple[Any, Any]:
    """Functions of compiled code: the word at an address; fill some bytes from an address on with zeros."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.extending import intrinsic

    @intrinsic
    def word(_context: Any, address: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return reader(builder, arguments[0])(ir.IntType(8 * WORD))

        return types.intp(address), code

    @intrinsic
    def empty(_context: Any, address: Any, size: Any) -> Any:
        def code(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            cgutils.memset(builder, builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8))), arguments[1], 0)
            return context.get_dummy_value()

        return types.void(address, size), code

    return word, empty
