#[derive(Debug, clap::Args)]
pub(super) struct Options {}
pub(super) async fn run(_: Options) -> anyhow::Result<super::Exit> {
    anyhow::bail!("x")
}
