"""What people measure and do on their round, and what it says of a batch. Pure: no clock, no disk."""
