//! Many like pieces of work: in order here, on threads by those who may start them.

/// Does many pieces of work; what comes back is the same however it is spread.
pub trait Workers: Sync {
    /// What `work` makes of each number from 0 up to `jobs`, in order.
    fn each(&self, jobs: usize, work: &(dyn Fn(usize) -> Vec<f32> + Sync)) -> Vec<Vec<f32>>;
}

/// One after another.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct InOrder;

impl Workers for InOrder {
    fn each(&self, jobs: usize, work: &(dyn Fn(usize) -> Vec<f32> + Sync)) -> Vec<Vec<f32>> {
        (0..jobs).map(work).collect()
    }
}
