"""Convolutional nets in training: their weights averaged over the last steps, and written as the project reads them."""

from __future__ import annotations

import json

from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from voidmap.coat.convolution import kept

AVERAGED = 400
"""Weights are averaged over about so many steps."""


def averaged(net):
    """Return the mean of a net's weights over its last steps, to be told of each."""
    return AveragedModel(net, multi_avg_fn=get_ema_multi_avg_fn(1 - 1 / AVERAGED))


def kept_tower(layers):
    """Return convolutions as a net's file keeps them."""
    return [[kept(layer.weight.detach().numpy()), kept(layer.bias.detach().numpy())] for layer in layers]


def kept_head(layers):
    """Return the last layers, whose weights are kept turned (in, out)."""
    return [[kept(layer.weight.detach().numpy().T), kept(layer.bias.detach().numpy())] for layer in layers]


def write(made, file):
    """Write what a net's file keeps."""
    file.write_text(json.dumps(made, separators=(",", ":")) + "\n")
