//! What was read and changed, durable before it is relied on.
