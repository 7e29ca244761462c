export function build() {}
