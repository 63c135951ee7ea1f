// Words by which something is permitted, where several ask for them.

export const SITE_FILE = "site-file";
