"""Two processes train as one: the same weights in both, after steps along the mean of their gradients."""

from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="the training extra is not installed")

from torch import multiprocessing  # noqa: E402

from training import ranks  # noqa: E402

pytestmark = pytest.mark.train
X = torch.arange(12.0).reshape(4, 3) / 10
Y = torch.tensor([[1.0], [0.0], [2.0], [-1.0]])


def step(x: torch.Tensor, y: torch.Tensor, seed: int) -> dict[str, torch.Tensor]:
    torch.manual_seed(seed)
    net = torch.nn.Sequential(torch.nn.Linear(3, 2), torch.nn.Linear(2, 1))
    ranks.share(net)
    optimiser = torch.optim.AdamW(net.parameters(), lr=0.1)
    for _ in range(3):
        optimiser.zero_grad()
        (net(x) - y).square().mean().backward()
        ranks.average_gradients(net.parameters())
        optimiser.step()
    return net.state_dict()


def process(rank: int, folder: Path) -> None:
    store = f"file://{folder}/store"
    torch.distributed.init_process_group("gloo", init_method=store, rank=rank, world_size=2)
    half = slice(2 * rank, 2 * rank + 2)
    said = step(X[half], Y[half], seed=5 + rank)  # other first weights in the second process
    torch.save((said, ranks.agreed(0.25 + rank, torch.device("cpu"))), folder / f"{rank}.pt")
    torch.distributed.destroy_process_group()


@pytest.mark.filterwarnings("ignore")
def test_two_processes_take_the_steps_of_one_on_all_pictures(tmp_path: Path):
    multiprocessing.spawn(process, (tmp_path,), nprocs=2)
    (first, progress), (second, also) = (torch.load(tmp_path / f"{rank}.pt") for rank in (0, 1))
    alone = step(X, Y, seed=5)
    assert progress == also == 0.25
    for name, value in alone.items():
        assert torch.equal(first[name], second[name])
        torch.testing.assert_close(first[name], value, rtol=1e-5, atol=1e-6)
