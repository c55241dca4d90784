"""What the pages share: scripts, style, data as JSON, and the policy that shuts the network out."""
