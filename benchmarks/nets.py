"""Convolutional nets: trained, their weights averaged over the last steps, and written as the project reads them."""

from __future__ import annotations

import json

import numpy as np
import torch
from torch.optim.swa_utils import AveragedModel, get_ema_multi_avg_fn

from voidmap.coat.convolution import kept

BATCH = 256
"""Rows a step."""
AVERAGED = 400
"""Weights are averaged over about so many steps."""
DECAY = 1e-3
"""Of the weights (I. Loshchilov, F. Hutter, 2019)."""


def trained(net, count, loss_at, told, *, epochs, rate, rng):
    """Train a net by a number of rows, shuffled each epoch; return the mean of its weights over its last steps.

    ``loss_at`` gives the loss of rows (sorted indices); ``told(epoch, mean)`` is called after each epoch.
    """
    mean = AveragedModel(net, multi_avg_fn=get_ema_multi_avg_fn(1 - 1 / AVERAGED))
    adam = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=DECAY)
    steps = count // BATCH
    pace = torch.optim.lr_scheduler.OneCycleLR(adam, rate, total_steps=epochs * steps + 1)
    for epoch in range(epochs):
        order = rng.permutation(count)
        for k in range(steps):
            loss = loss_at(np.sort(order[k * BATCH : (k + 1) * BATCH]))
            adam.zero_grad()
            loss.backward()
            adam.step()
            pace.step()
            mean.update_parameters(net)
        told(epoch, mean.module)
    return mean.module


def kept_tower(layers):
    """Return convolutions as a net's file keeps them."""
    return [[kept(layer.weight.detach().numpy()), kept(layer.bias.detach().numpy())] for layer in layers]


def kept_head(layers):
    """Return the last layers, whose weights are kept turned (in, out)."""
    return [[kept(layer.weight.detach().numpy().T), kept(layer.bias.detach().numpy())] for layer in layers]


def write(made, file):
    """Write what a net's file keeps."""
    file.write_text(json.dumps(made, separators=(",", ":")) + "\n")
