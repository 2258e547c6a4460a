"""How compiled code reads packed tuples (`packed`) by their addresses.

A handle is the address of a packed tuple; its words do not change while compiled code runs, neither do the numbers of a
problem. Nobody counts who holds it, which took a third of the time of a run; whoever calls the entry keeps the tuple.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from bronzeward.growth.packed import WORD, annotated
from bronzeward.growth.problem import Problem
from bronzeward.growth.rows import row_type, unchanging


@cache
def handle_type() -> Any:
    """The type of handles, made known to numba: `handle_type()(Work)` is that of a work space."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.core.datamodel import models
    from numba.core.typing.templates import AttributeTemplate, infer_getattr
    from numba.extending import lower_getattr_generic, register_model

    numbers = {"int": types.int64, "float": types.float64}
    in_rows = {"Counts": types.int64, "Numbers": types.float64}

    class Handle(types.Type):
        def __init__(self, tuple_kind: Any) -> None:
            self.held, self.place, place = {}, {}, 0
            for name, told in zip(tuple_kind._fields, annotated(tuple_kind), strict=True):
                is_row = told in in_rows
                self.held[name] = row_type()(in_rows[told], tuple_kind is Problem) if is_row else numbers[told]
                self.place[name] = place
                place += 2 if is_row else 1
            super().__init__(name=f"Handle({tuple_kind.__name__})")

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
        def word(place: int, of: Any) -> Any:
            at = builder.bitcast(cgutils.gep_inbounds(builder, pointer, place * WORD), ir.PointerType(of))
            return unchanging(builder, builder.load(at))

        place, held = kind.place[name], kind.held[name]
        if not isinstance(held, row_type()):
            return word(place, context.get_value_type(held))
        row = cgutils.create_struct_proxy(held)(context, builder)
        row.data = word(place, ir.PointerType(context.get_data_type(held.dtype)))
        row.size = word(place + 1, row.size.type)
        return row._getvalue()

    return Handle


def handle_at(tuple_kind: Any) -> Any:
    """A function of compiled code: the handle of the packed tuple at an address."""
    from llvmlite import ir
    from numba.extending import intrinsic

    kind = handle_type()(tuple_kind)

    @intrinsic
    def handle(_context: Any, address: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8)))

        return kind(address), code

    return handle


@cache
def word_and_empty() -> tuple[Any, Any]:
    """Functions of compiled code: the word at an address; fill some bytes from an address on with zeros."""
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.extending import intrinsic

    @intrinsic
    def word(_context: Any, address: Any) -> Any:
        def code(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            return builder.load(builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8 * WORD))))

        return types.intp(address), code

    @intrinsic
    def empty(_context: Any, address: Any, size: Any) -> Any:
        def code(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            cgutils.memset(builder, builder.inttoptr(arguments[0], ir.PointerType(ir.IntType(8))), arguments[1], 0)
            return context.get_dummy_value()

        return types.void(address, size), code

    return word, empty
