"""A Whisper model in torch, read from CTranslate2's file, with a change of low rank for each of its matrices.

Architecture: Radford et al., "Robust Speech Recognition via Large-Scale Weak Supervision" (2022).  The change: Hu
et al., "LoRA: Low-Rank Adaptation of Large Language Models" (2021).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn
from torch.nn import functional

from checkback.errors import UserError
from checkback.hearing.whisper_file import as_numbers, read_weights, reference

ENCODER_RANK, DECODER_RANK, CROSS_RANK = 16, 8, 16

Stored = Mapping[str, Any]


def _tensor(stored: Stored, name: str) -> torch.Tensor:
    return torch.tensor(as_numbers(stored, name))


class Linear(nn.Module):
    """A matrix that stays as it is, and the change that is learnt."""

    def __init__(self, stored: Stored, name: str, rank: int) -> None:
        super().__init__()
        self.name = f"{name}/weight"
        self.register_buffer("weight", _tensor(stored, self.name))
        self.register_buffer("bias", _tensor(stored, f"{name}/bias"))
        outputs, inputs = self.weight.shape
        self.inner = nn.Parameter(torch.randn(rank, inputs) / math.sqrt(inputs))
        self.outer = nn.Parameter(torch.zeros(outputs, rank))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Return W x + b + B A x."""
        change = functional.linear(functional.linear(x, self.inner), self.outer)
        return functional.linear(x, self.weight, self.bias) + change


class Norm(nn.Module):
    """A layer norm that stays as it is."""

    def __init__(self, stored: Stored, name: str) -> None:
        super().__init__()
        self.register_buffer("gamma", _tensor(stored, f"{name}/gamma"))
        self.register_buffer("beta", _tensor(stored, f"{name}/beta"))

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Normalise in 32 bits."""
        return functional.layer_norm(x.float(), (x.shape[-1],), self.gamma, self.beta, 1e-5)


class Block(nn.Module):
    """One layer of either half."""

    def __init__(self, stored: Stored, at: str, heads: int, rank: int, cross_rank: int = 0) -> None:
        super().__init__()
        self.heads = heads
        self.own_norm = Norm(stored, f"{at}/self_attention/layer_norm")
        self.own_in = Linear(stored, f"{at}/self_attention/linear_0", rank)
        self.own_out = Linear(stored, f"{at}/self_attention/linear_1", rank)
        self.inner_norm = Norm(stored, f"{at}/ffn/layer_norm")
        self.inner_in = Linear(stored, f"{at}/ffn/linear_0", rank)
        self.inner_out = Linear(stored, f"{at}/ffn/linear_1", rank)
        self.sound: nn.ModuleDict | None = None
        if cross_rank:
            self.sound = nn.ModuleDict(
                {
                    "norm": Norm(stored, f"{at}/attention/layer_norm"),
                    "query": Linear(stored, f"{at}/attention/linear_0", cross_rank),
                    "in": Linear(stored, f"{at}/attention/linear_1", cross_rank),
                    "out": Linear(stored, f"{at}/attention/linear_2", cross_rank),
                }
            )

    def _attend(
        self, query: torch.Tensor, key: torch.Tensor, value: torch.Tensor, causal: bool
    ) -> torch.Tensor:
        split = (each.unflatten(-1, (self.heads, -1)).transpose(1, 2) for each in (query, key, value))
        heard = functional.scaled_dot_product_attention(*split, is_causal=causal)
        return heard.transpose(1, 2).reshape(query.shape)

    def forward(self, x: torch.Tensor, sound: torch.Tensor | None = None) -> torch.Tensor:
        """Return the next layer's input; with a sound, later pieces of text are hidden from earlier ones."""
        mixed = self.own_in(self.own_norm(x)).chunk(3, -1)
        x = x + self.own_out(self._attend(*mixed, causal=sound is not None)).float()
        if self.sound is not None and sound is not None:
            query = self.sound["query"](self.sound["norm"](x))
            key, value = self.sound["in"](sound).chunk(2, -1)
            x = x + self.sound["out"](self._attend(query, key, value, causal=False)).float()
        return x + self.inner_out(functional.gelu(self.inner_in(self.inner_norm(x)))).float()


class LowRankWhisper(nn.Module):
    """The model.

    Parameters
    ----------
    model : Path
        model.bin of CTranslate2.
    encoder_rank : int
        Of the changes in the first half.
    """

    def __init__(self, model: Path, encoder_rank: int = ENCODER_RANK) -> None:
        super().__init__()
        stored = read_weights(model.read_bytes())
        for name in ("conv1", "conv2"):
            self.register_buffer(f"{name}_weight", _tensor(stored, f"encoder/{name}/weight"))
            self.register_buffer(f"{name}_bias", _tensor(stored, f"encoder/{name}/bias"))
        self.register_buffer("frames", _tensor(stored, "encoder/position_encodings/encodings"))
        self.register_buffer("places", _tensor(stored, "decoder/position_encodings/encodings"))
        self.register_buffer("embedding", _tensor(stored, "decoder/embeddings/weight"))
        self.register_buffer("projection", _tensor(stored, "decoder/projection/weight"))
        heads = int(stored["encoder/num_heads"])

        def layers(half: str) -> list[str]:
            last = "/ffn/linear_0/weight"
            count = sum(name.startswith(f"{half}/layer_") and name.endswith(last) for name in stored)
            return [f"{half}/layer_{n}" for n in range(count)]

        self.encoder = nn.ModuleList(Block(stored, at, heads, encoder_rank) for at in layers("encoder"))
        self.decoder = nn.ModuleList(
            Block(stored, at, heads, DECODER_RANK, CROSS_RANK) for at in layers("decoder")
        )
        self.encoder_norm = Norm(stored, "encoder/layer_norm")
        self.decoder_norm = Norm(stored, "decoder/layer_norm")

    def encode(self, mel: torch.Tensor) -> torch.Tensor:
        """Return what the first half makes of features, (batch, bands, frames) to (batch, frames / 2, width)."""
        x = functional.gelu(functional.conv1d(mel, self.conv1_weight, self.conv1_bias, padding=1))
        x = functional.gelu(functional.conv1d(x, self.conv2_weight, self.conv2_bias, stride=2, padding=1))
        x = x.transpose(1, 2).float() + self.frames[: x.shape[2]]
        for block in self.encoder:
            x = block(x)
        return self.encoder_norm(x)

    def decode(self, sound: torch.Tensor, tokens: torch.Tensor) -> torch.Tensor:
        """Return the states of the second half for (batch, length) pieces of text, (batch, length, width)."""
        x = self.embedding[tokens] + self.places[: tokens.shape[1]]
        for block in self.decoder:
            x = block(x, sound)
        return self.decoder_norm(x)

    def logits(self, states: torch.Tensor) -> torch.Tensor:
        """Return the scores of every next piece."""
        return functional.linear(states, self.projection)

    def begin_with(self, path: Path, *, same_rank: bool = False) -> None:
        """Take a change that `write` wrote, of the same rank or a lower one.

        Raises
        ------
        UserError
            If it is of a higher rank, or of a lower one where the same is wanted.
        """
        with np.load(path) as arrays, torch.no_grad():
            for each in self.modules():
                if isinstance(each, Linear):
                    inner, outer = (torch.tensor(arrays[f"{each.name}/{half}"]).float() for half in "AB")
                    if len(inner) > len(each.inner) or (same_rank and len(inner) < len(each.inner)):
                        raise UserError(
                            f"{path} has the rank {len(inner)} for {each.name}, and {len(each.inner)} is asked for: "
                            "give another --rank."
                        )
                    each.inner[: len(inner)] = inner
                    each.outer[:, : len(inner)] = outer

    def write(self, path: Path) -> None:
        """Write the change as `checkback.hearing.whisper_file.changed` takes it."""
        arrays = {}
        for each in self.modules():
            if isinstance(each, Linear):
                arrays[f"{each.name}/A"] = each.inner.detach().numpy().astype(np.float16)
                arrays[f"{each.name}/B"] = each.outer.detach().numpy().astype(np.float16)
                arrays[f"{each.name}/was"] = reference(each.weight.numpy()).astype(np.float16)
        np.savez_compressed(path, **arrays)


def halfway(one: Path, other: Path, out: Path) -> None:
    """Write the mean of two changes of the same ranks, the second of which was learnt from the first.

    What was learnt for some voices costs a little for others; between the two is often better than either
    (Wortsman et al., "Robust fine-tuning of zero-shot models", 2022).
    """
    with np.load(one) as first, np.load(other) as second:
        mean = {
            name: ((first[name].astype(np.float32) + second[name].astype(np.float32)) / 2).astype(np.float16)
            for name in first.files
        }
    np.savez_compressed(out, **mean)
