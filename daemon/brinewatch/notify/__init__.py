"""Ways to reach people, and the worker that carries messages to each."""
