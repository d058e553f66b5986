"""What tests share: rigs, logs, guards, brokers, screens."""
