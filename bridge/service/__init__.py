"""The asyncio process as a whole: what is made, in which order, and how it ends."""
