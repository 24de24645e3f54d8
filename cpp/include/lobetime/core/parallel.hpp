#pragma once
#include <cstddef>
#include <functional>

namespace lobetime {

/// Calls `work(i)` for i = 0 … n-1 on up to `threads` threads (0 = as many as the machine has).
///
/// Which thread takes which i is not fixed: `work` must write only to places that belong to i, and the caller
/// reduces in order of i, so that sums are bit-identical at any thread count. The first exception is rethrown
/// after all threads have stopped.
void parallel_for(std::size_t n, int threads, const std::function<void(std::size_t)>& work);

}  // namespace lobetime
