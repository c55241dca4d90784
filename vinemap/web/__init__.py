"""What pages and sheets share: templates, drawings, scripts, style, JSON, and the policy that shuts the network out."""
