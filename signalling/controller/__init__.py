"""The running side: joins the logic to its links, in asyncio."""
