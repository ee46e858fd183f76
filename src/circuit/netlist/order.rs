//! An order in which everything comes after what it needs.

/// Indices so that each comes after all that it reads, or some of them that go in a circle, the first one at the end again.
pub(super) fn in_order(reads: &[Vec<usize>]) -> Result<Vec<usize>, Vec<usize>> {
    let mut readers: Vec<Vec<usize>> = vec![Vec::new(); reads.len()];
    let mut waits: Vec<usize> = Vec::with_capacity(reads.len());
    for (index, read) in reads.iter().enumerate() {
        waits.push(read.len());
        for needed in read {
            if let Some(readers) = readers.get_mut(*needed) {
                readers.push(index);
            }
        }
    }
    let mut order: Vec<usize> = (0..reads.len()).filter(|index| waits.get(*index) == Some(&0)).collect();
    let mut at = 0;
    while let Some(index) = order.get(at).copied() {
        at += 1;
        for reader in readers.get(index).into_iter().flatten() {
            if let Some(wait) = waits.get_mut(*reader) {
                *wait -= 1;
                if *wait == 0 {
                    order.push(*reader);
                }
            }
        }
    }
    if order.len() == reads.len() { Ok(order) } else { Err(circle(reads, &waits)) }
}

/// From one that waits to one that it waits for, until one is met again.
fn circle(reads: &[Vec<usize>], waits: &[usize]) -> Vec<usize> {
    let is_waiting = |index: &usize| waits.get(*index).is_some_and(|wait| *wait > 0);
    let mut way: Vec<usize> = (0..reads.len()).filter(is_waiting).take(1).collect();
    loop {
        let last = way.last().and_then(|last| reads.get(*last));
        let Some(next) = last.and_then(|reads| reads.iter().copied().find(is_waiting)) else { return way };
        let met = way.iter().position(|index| *index == next);
        way.push(next);
        if let Some(met) = met {
            return way.split_off(met);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::in_order;

    #[test]
    fn what_is_needed_comes_first_and_circles_are_found() {
        assert_eq!(in_order(&[vec![1, 2], vec![2], vec![]]), Ok(vec![2, 1, 0]));
        assert_eq!(in_order(&[vec![1], vec![2], vec![1, 1]]), Err(vec![1, 2, 1]));
        assert_eq!(in_order(&[vec![0]]), Err(vec![0, 0]));
        assert_eq!(in_order(&[]), Ok(vec![]));
    }
}
