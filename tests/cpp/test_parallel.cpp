#include <lobetime/core/errors.hpp>
#include <lobetime/core/parallel.hpp>

#include <gtest/gtest.h>

#include <atomic>
#include <cstdint>
#include <thread>
#include <vector>

namespace lobetime {
namespace {

class ParallelFor : public ::testing::TestWithParam<int> {};

TEST_P(ParallelFor, DoesEachPieceOnce) {
    for (const std::size_t n : {std::size_t{0}, std::size_t{1}, std::size_t{3}, std::size_t{1000}}) {
        std::vector<int> done(n, 0);
        parallel_for(n, GetParam(), [&](std::size_t i) { ++done[i]; });
        EXPECT_EQ(done, std::vector<int>(n, 1));
    }
}

TEST_P(ParallelFor, RethrowsAfterAllThreadsStopped) {
    std::atomic<int> running{0};
    EXPECT_THROW(parallel_for(200, GetParam(),
                              [&](std::size_t i) {
                                  ++running;
                                  if (i == 50) {
                                      --running;
                                      throw NotFinite("piece 50");
                                  }
                                  --running;
                              }),
                 NotFinite);
    EXPECT_EQ(running.load(), 0);
}

TEST_P(ParallelFor, OrderedReductionIsTheSameToTheLastBit) {
    const auto total = [](int threads) {
        std::vector<double> parts(64);
        parallel_for(parts.size(), threads, [&](std::size_t i) {
            for (std::size_t k = 1; k < 500; ++k) parts[i] += 1.0 / static_cast<double>(k * (i + 3));
        });
        double sum = 0.0;
        for (const double part : parts) sum += part;
        return sum;
    };
    EXPECT_EQ(total(GetParam()), total(1));
}

INSTANTIATE_TEST_SUITE_P(Threads, ParallelFor, ::testing::Values(0, 1, 2, 4, 9));

TEST(ParallelForThreads, OneThreadIsTheCallersOwn) {
    const auto caller = std::this_thread::get_id();
    parallel_for(10, 1, [&](std::size_t) { EXPECT_EQ(std::this_thread::get_id(), caller); });
}

TEST(ParallelForThreads, NeverMoreThreadsThanPieces) {
    std::atomic<int> now{0}, most{0};
    parallel_for(2, 16, [&](std::size_t) {
        const int here = ++now;
        int seen = most.load();
        while (here > seen && !most.compare_exchange_weak(seen, here)) {
        }
        std::this_thread::yield();
        --now;
    });
    EXPECT_LE(most.load(), 2);
}

TEST(ParallelForThreads, NestedCallsFinish) {
    std::vector<std::uint64_t> sums(8, 0);
    parallel_for(sums.size(), 2, [&](std::size_t i) {
        std::vector<std::uint64_t> inner(16, 0);
        parallel_for(inner.size(), 2, [&](std::size_t k) { inner[k] = k; });
        for (const auto one : inner) sums[i] += one;
    });
    EXPECT_EQ(sums, std::vector<std::uint64_t>(8, 120));
}

}  // namespace
}  // namespace lobetime
