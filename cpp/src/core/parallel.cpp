#include <lobetime/core/parallel.hpp>

#include <algorithm>
#include <atomic>
#include <exception>
#include <mutex>
#include <thread>
#include <vector>

namespace lobetime {

void parallel_for(std::size_t n, int threads, const std::function<void(std::size_t)>& work) {
    const std::size_t wanted =
        threads > 0 ? static_cast<std::size_t>(threads) : std::max<std::size_t>(1, std::thread::hardware_concurrency());
    const std::size_t n_threads = std::min(wanted, n);
    if (n_threads <= 1) {
        for (std::size_t i = 0; i < n; ++i) work(i);
        return;
    }
    std::atomic<std::size_t> next{0};
    std::exception_ptr failure;
    std::mutex failure_mutex;
    const auto run = [&] {
        for (std::size_t i = next.fetch_add(1); i < n; i = next.fetch_add(1)) {
            try {
                work(i);
            } catch (...) {
                const std::lock_guard<std::mutex> lock(failure_mutex);
                if (!failure) failure = std::current_exception();
                next.store(n);
            }
        }
    };
    {
        std::vector<std::jthread> pool;
        pool.reserve(n_threads - 1);
        for (std::size_t t = 1; t < n_threads; ++t) pool.emplace_back(run);
        run();
    }
    if (failure) std::rethrow_exception(failure);
}

}  // namespace lobetime
