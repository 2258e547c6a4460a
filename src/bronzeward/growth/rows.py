"""Rows of numbers as compiled code reads and writes them: the address of the first, and how many there are.

Compiled code is told that whole numbers never lie where others do, and which rows nobody changes, so that it need not
read them again after each number it writes. Rows are read from 0 on: unlike lists, they do not count from their ends.
"""

from __future__ import annotations

import operator
from functools import cache
from typing import Any


@cache
def row_type() -> Any:
    """The type of rows, made known to numba: `row_type()(dtype, fixed)`, of numbers that nobody changes if `fixed`."""
    from numba.core import types
    from numba.core.datamodel import models
    from numba.extending import register_model

    class Row(types.Type):
        def __init__(self, dtype: Any, fixed: bool) -> None:
            self.dtype, self.fixed = dtype, fixed
            super().__init__(name=f"Row({dtype}, {fixed})")

    @register_model(Row)
    class RowModel(models.StructModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, [("data", types.CPointer(kind.dtype)), ("size", types.intp)])

    _name_operations(Row)
    _make_operations(Row)
    return Row


def _name_operations(row: Any) -> None:
    """Tell numba that rows are read and written at a whole number, and have a length."""
    from numba.core import types
    from numba.core.typing.templates import AbstractTemplate, infer_global, signature

    def is_place(arguments: Any) -> bool:
        return isinstance(arguments[0], row) and isinstance(arguments[1], types.Integer)

    @infer_global(operator.getitem)
    class Reading(AbstractTemplate):
        def generic(self, arguments: Any, _keywords: Any) -> Any:
            return signature(arguments[0].dtype, arguments[0], types.intp) if is_place(arguments) else None

    @infer_global(operator.setitem)
    class Writing(AbstractTemplate):
        def generic(self, arguments: Any, _keywords: Any) -> Any:
            kind = arguments[0]
            return signature(types.none, kind, types.intp, kind.dtype) if is_place(arguments) else None

    @infer_global(len)
    class Length(AbstractTemplate):
        def generic(self, arguments: Any, _keywords: Any) -> Any:
            return signature(types.intp, *arguments) if isinstance(arguments[0], row) else None


def _make_operations(row: Any) -> None:
    """Tell numba what machine code these are."""
    from numba.core import cgutils, types
    from numba.extending import lower_builtin

    def row_of(context: Any, builder: Any, kind: Any, value: Any) -> Any:
        return cgutils.create_struct_proxy(kind)(context, builder, value=value)

    @lower_builtin(operator.getitem, row, types.intp)  # type: ignore[untyped-decorator]
    def read(context: Any, builder: Any, told: Any, arguments: Any) -> Any:
        kind, (value, place) = told.args[0], arguments
        data = row_of(context, builder, kind, value).data
        number = _apart(builder, kind, builder.load(builder.gep(data, [place], inbounds=True)))
        return unchanging(builder, number) if kind.fixed else number

    @lower_builtin(operator.setitem, row, types.intp, types.Any)  # type: ignore[untyped-decorator]
    def write(context: Any, builder: Any, told: Any, arguments: Any) -> Any:
        kind, (value, place, number) = told.args[0], arguments
        data = row_of(context, builder, kind, value).data
        _apart(builder, kind, builder.store(number, builder.gep(data, [place], inbounds=True)))
        return context.get_dummy_value()

    @lower_builtin(len, row)  # type: ignore[untyped-decorator]
    def length(context: Any, builder: Any, told: Any, arguments: Any) -> Any:
        return row_of(context, builder, told.args[0], arguments[0]).size


def _apart(builder: Any, kind: Any, instruction: Any) -> Any:
    """A load or store, marked so that whole numbers are known to lie apart from others."""
    from llvmlite import ir

    module, zero = builder.module, ir.Constant(ir.IntType(64), 0)
    root = module.add_metadata([ir.MetaDataString(module, "numbers in rows")])
    number = module.add_metadata([ir.MetaDataString(module, str(kind.dtype)), root, zero])
    instruction.set_metadata("tbaa", module.add_metadata([number, number, zero]))
    return instruction


def unchanging(builder: Any, loaded: Any) -> Any:
    """A number that was loaded, marked as one that stays the same as long as compiled code runs."""
    loaded.set_metadata("invariant.load", builder.module.add_metadata([]))
    return loaded
