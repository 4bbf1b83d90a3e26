"""Arithmetic of a Whisper model in 8 bits, run by ONNX Runtime.

In a search a matrix of the text half is multiplied with a dozen rows at a time.  In 32 bits most of the time goes
into reading the matrix; in 8 bits, laid out once for the processor, it takes a third.

Each row of numbers has a scale of its own: what comes of one text hardly depends on which others are looked at beside
it (the last bit of a sum may, and decide how a number is rounded).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from checkback.hearing.whisper_file import Array

_ZERO = 128
"""Weights are kept without a sign, and this stands for nothing: with signs, processors that have no instruction for
8-bit products cut their sums off at 16 bits (ONNX Runtime, "Quantize ONNX models", on U8S8)."""

_STEPS = 254
"""From the least number of a row to the greatest; one more is for rounding."""

_EPSILON = 1e-5
_OPSET = 20


class Run:
    """A piece of a model that can be run.

    Parameters
    ----------
    session : onnxruntime.InferenceSession
    """

    def __init__(self, session: Any) -> None:
        self._session = session
        self._names = [each.name for each in session.get_inputs()]

    def __call__(self, *given: Array) -> list[Array]:
        """Return what comes of arrays of shape (rows, width), given in the order of `Piece.take`."""
        found: list[Array] = self._session.run(None, dict(zip(self._names, given, strict=True)))
        return found


class Piece:
    """Builds a piece of a model, step by step; each step gives the name of what comes of it."""

    def __init__(self) -> None:
        from onnx import helper, numpy_helper

        self._helper, self._as_tensor = helper, numpy_helper.from_array
        self._nodes: list[Any] = []
        self._constants: list[Any] = []
        self._inputs: list[Any] = []

    def take(self, width: int) -> str:
        """Take something in, of shape (rows, width)."""
        name = f"in{len(self._inputs)}"
        self._inputs.append(self._info(name, width))
        return name

    def _info(self, name: str, width: int | None = None) -> Any:
        from onnx import TensorProto

        return self._helper.make_tensor_value_info(name, TensorProto.FLOAT, [None, width])

    def _constant(self, value: NDArray[Any]) -> str:
        name = f"constant{len(self._constants)}"
        self._constants.append(self._as_tensor(np.asarray(value, order="C"), name))
        return name

    def _do(self, kind: str, *given: str, **how: Any) -> str:
        name = f"out{len(self._nodes)}"
        self._nodes.append(self._helper.make_node(kind, given, [name], **how))
        return name

    def add(self, one: str, other: str) -> str:
        """Return the sum."""
        return self._do("Add", one, other)

    def norm(self, x: str, gamma: Array, beta: Array) -> str:
        """Return each row with a mean of zero and a spread of one, times gamma, plus beta."""
        return self._do(
            "LayerNormalization", x, self._constant(gamma), self._constant(beta), epsilon=_EPSILON
        )

    def gelu(self, x: str) -> str:
        """Return the Gaussian error linear unit."""
        return self._do("Gelu", x)

    def convolve(self, x: str, weight: Array, bias: Array, step: int = 1) -> str:
        """Return a convolution along the rows, in 32 bits, with zeros at the ends.

        Parameters
        ----------
        x : str
        weight : ndarray of float32, shape (outputs, inputs, 3)
        bias : ndarray of float32, shape (outputs,)
        step : int
            Only every so manieth row is wanted.
        """
        channels = self._do("Unsqueeze", self._do("Transpose", x, perm=[1, 0]), self._whole(0))
        found = self._do(
            "Conv", channels, self._constant(weight), self._constant(bias), pads=[1, 1], strides=[step]
        )
        return self._do("Transpose", self._do("Squeeze", found, self._whole(0)), perm=[1, 0])

    def attend(self, mixed: str, heads: int, width: int) -> str:
        """Return what each row takes from all rows, in 32 bits.

        Parameters
        ----------
        mixed : str
            What each asks, is found by, and gives, of shape (rows, 3 * width).
        heads, width : int
        """
        parts = self._do("Reshape", mixed, self._whole(-1, 3, heads, width // heads))
        asked, key, value = (self._do("Gather", parts, self._constant(np.array(n)), axis=1) for n in range(3))
        asked = self._do("Mul", asked, self._constant(np.array((width // heads) ** -0.5, np.float32)))
        shares = self._do(
            "MatMul",
            self._do("Transpose", asked, perm=[1, 0, 2]),
            self._do("Transpose", key, perm=[1, 2, 0]),
        )
        taken = self._do(
            "MatMul", self._do("Softmax", shares, axis=-1), self._do("Transpose", value, perm=[1, 0, 2])
        )
        return self._do("Reshape", self._do("Transpose", taken, perm=[1, 0, 2]), self._whole(-1, width))

    def _whole(self, *numbers: int) -> str:
        return self._constant(np.array(numbers))

    def times(self, x: str, weight: Array, bias: Array | None = None, *, exactly: bool = False) -> str:
        """Return x times a matrix, plus a bias.

        Parameters
        ----------
        x : str
        weight : ndarray of float32, shape (outputs, inputs)
        bias : ndarray of float32, shape (outputs,), or None
        exactly : bool
            In 32 bits.
        """
        product = self._do("MatMul", x, self._constant(weight.T)) if exactly else self._nearly(x, weight)
        return product if bias is None else self.add(product, self._constant(bias))

    def _nearly(self, x: str, weight: Array) -> str:
        """Return x times a matrix, in 8 bits."""
        from onnx import TensorProto

        scales = (np.maximum(np.abs(weight).max(axis=1), 1e-12) / (_ZERO - 1)).astype(np.float32)
        whole = (np.rint(weight / scales[:, None]) + _ZERO).astype(np.uint8)
        sums = scales * (whole.astype(np.int64) - _ZERO).sum(axis=1)
        rows = self._whole(1)
        least = self._do("ReduceMin", x, rows, keepdims=1)
        span = self._do("Sub", self._do("ReduceMax", x, rows, keepdims=1), least)
        span = self._do("Max", span, self._constant(np.array(1e-12, np.float32)))
        step = self._do("Div", span, self._constant(np.array(_STEPS, np.float32)))
        # so that a zero stays one
        least = self._do("Round", self._do("Div", least, step))
        steps = self._do("Sub", self._do("Round", self._do("Div", x, step)), least)
        product = self._do(
            "MatMulInteger",
            self._do("Cast", steps, to=TensorProto.UINT8),
            self._constant(whole.T),
            self._constant(np.array(0, np.uint8)),
            self._constant(np.array(_ZERO, np.uint8)),
        )
        product = self._do("Mul", self._do("Cast", product, to=TensorProto.FLOAT), self._constant(scales))
        product = self.add(product, self._do("Mul", least, self._constant(sums.astype(np.float32))))
        return self._do("Mul", product, step)

    def ready(self, *results: str, threads: int = 1) -> Run:
        """Return the piece, which gives back `results`."""
        import onnxruntime

        graph = self._helper.make_graph(
            self._nodes, "piece", self._inputs, [self._info(name) for name in results], self._constants
        )
        model = self._helper.make_model(graph, opset_imports=[self._helper.make_opsetid("", _OPSET)])
        model.ir_version = 9
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = threads
        options.log_severity_level = 3
        # a thread that has nothing to do must not keep a processor from the other listener
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")
        return Run(
            onnxruntime.InferenceSession(
                model.SerializeToString(), options, providers=["CPUExecutionProvider"]
            )
        )
